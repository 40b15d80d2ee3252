"""Stopping, safe speed, separation and pose error."""

from math import inf, pi

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from toprung.forecast.motion import (
    CAUTION,
    WALKING_M_PER_S,
    braking_on,
    closing_distance,
    least_resolution_height,
    orthogonal_separation,
    parallel_separation,
    pose_error,
    safe_speed,
    stopping,
    watchdog_distance,
)
from toprung.model.site import Vehicle

times = st.floats(0, 5)
lengths = st.floats(0, 50)
brakings = st.floats(0.05, 10)
speeds = st.floats(0.01, 5)


@pytest.mark.parametrize(
    ("speed", "braking", "reaction", "brake", "total", "time"),
    [  # d = v t + v^2 / (2 a), worked out by hand from any mechanics text's formula (CHECKS 7.4)
        (0.3, 1.0, 0.2, 0.0450, 0.1050, 0.50),
        (0.5, 1.0, 0.2, 0.1250, 0.2250, 0.70),
        (1.0, 1.0, 0.2, 0.5000, 0.7000, 1.20),
        (1.2, 1.0, 0.3, 0.7200, 1.0800, 1.50),
        (1.2, 0.5, 0.3, 1.4400, 1.8000, 2.70),
        (1.5, 1.0, 0.3, 1.1250, 1.5750, 1.80),
        (2.0, 1.5, 0.3, 1.3333, 1.9333, 1.633),
    ],
)
def test_stopping_distances(speed, braking, reaction, brake, total, time):
    assert stopping(speed, 0, braking).distance_m == pytest.approx(brake, abs=5e-5)
    stop = stopping(speed, reaction, braking)
    assert stop.distance_m == pytest.approx(total, abs=5e-5)
    assert stop.time_s == pytest.approx(time, abs=5e-4)
    assert safe_speed(stop.distance_m, reaction, braking) == pytest.approx(speed)


@pytest.mark.parametrize(
    ("friction", "distances"),
    [  # v^2 / (2 mu g) at 0.5, 1.0, 1.5, 2.0 m/s (CHECKS 7.4)
        (0.3, (0.0425, 0.1700, 0.3824, 0.6798)),
        (0.5, (0.0255, 0.1020, 0.2294, 0.4079)),
    ],
)
def test_friction_limits_the_braking(friction, distances):
    for speed, distance in zip((0.5, 1.0, 1.5, 2.0), distances, strict=True):
        assert stopping(speed, 0, braking_on(friction)).distance_m == pytest.approx(distance, abs=5e-5)


def test_a_slope_takes_from_the_braking():
    assert braking_on(0.3, pi / 36) < braking_on(0.3)
    assert braking_on(0.3, pi / 6) < 0


def test_a_person_who_walks_towards_it_comes_nearer_while_it_brakes():
    """v = 1.2, a = 1, t = 0.3, person 1.6 m/s: 0.36 + 0.72 + 1.6 x 1.5 = 3.48 m (CHECKS 7.4)."""
    assert closing_distance(1.2, 0.3, 1.0, WALKING_M_PER_S) == pytest.approx(3.48)
    assert safe_speed(3.48, 0.3, 1.0, 0.0, WALKING_M_PER_S) == pytest.approx(1.2)


@pytest.mark.parametrize(
    ("response_s", "resolution_mm", "separation_mm"),
    [  # ISO 13855:2010, 6.2; the first is a maker's published worked example, the others follow the text
        (0.165, 14, 330),
        (0.165, 30, 458),
        (0.030, 14, 100),
        (0.250, 14, 500),
        (0.300, 14, 500),
        (0.300, 30, 608),
        (0.400, 30, 768),
    ],
)
def test_orthogonal_separation(response_s, resolution_mm, separation_mm):
    assert orthogonal_separation(response_s, resolution_mm / 1000) * 1000 == pytest.approx(separation_mm)


def test_a_coarse_curtain_is_kept_off_by_an_arms_length():
    """ISO 13855:2010, 6.2.3.2: S = 1600 T + 850 above 40 mm."""
    assert orthogonal_separation(0.3, 0.041) == pytest.approx(1.33)


@pytest.mark.parametrize(
    ("response_s", "height_mm", "separation_mm"),
    [(0.300, 0, 1680), (0.300, 300, 1560), (0.300, 875, 1330), (0.500, 1000, 1650)],
)  # ISO 13855:2010, 6.3
def test_parallel_separation(response_s, height_mm, separation_mm):
    assert parallel_separation(response_s, height_mm / 1000) * 1000 == pytest.approx(separation_mm)


def test_a_parallel_field_cannot_hang_higher_than_a_metre():
    with pytest.raises(ValueError, match="between 0 and 1 m"):
        parallel_separation(0.3, 1.2)
    assert least_resolution_height(0.070) == pytest.approx(0.3)
    assert least_resolution_height(0.030) == 0


def test_the_watchdogs_distance_is_that_of_a_reaction():
    cart = Vehicle("cart", top_speed_m_per_s=0.45, braking_m_per_s2=0.8, watchdog_ns=500_000_000)
    assert watchdog_distance(cart) == pytest.approx(0.45 * 0.5 + 0.45**2 / 1.6)
    assert watchdog_distance(Vehicle("cart")) is None


def test_pose_errors_grow_with_speed_and_offset():
    still = pose_error(-0.02, 0.5, 0.30)
    assert still.along_m == pytest.approx(0.010)
    assert still.heading_rad == pytest.approx(0.02 * 2 * 0.5 / 0.30)
    assert pose_error(0.02, 0.5).heading_rad is None


def test_nothing_is_safe_without_a_reaction_or_room():
    assert safe_speed(6, inf, 0.8) == 0
    assert safe_speed(0.1, 0.2, 0.8, margin_m=0.1) == 0
    assert safe_speed(0.3, 0.2, 0.8, closing_m_per_s=1.6) == 0


@given(lengths, times, brakings, lengths)
def test_at_the_safe_speed_the_vehicle_rests_short_of_the_margin(range_m, reaction, braking, margin):
    speed = safe_speed(range_m, reaction, braking, margin)
    if speed:
        assert stopping(speed, reaction, braking).distance_m == pytest.approx(range_m - margin, rel=1e-6)


@given(lengths, times, brakings, lengths, st.floats(0, 2))
def test_twice_the_range_never_lowers_the_safe_speed(range_m, reaction, braking, margin, closing):
    once = safe_speed(range_m, reaction, braking, margin, closing)
    assert safe_speed(2 * range_m, reaction, braking, margin, closing) >= once


@given(lengths, times, times, brakings, lengths)
def test_more_reaction_never_raises_the_safe_speed(range_m, reaction, more, braking, margin):
    assert safe_speed(range_m, reaction + more, braking, margin) <= safe_speed(
        range_m, reaction, braking, margin
    ) * (1 + 1e-12)


@given(lengths, times, brakings, st.floats(1, 10))
def test_better_brakes_never_lower_the_safe_speed(range_m, reaction, braking, factor):
    assert safe_speed(range_m, reaction, braking * factor) >= safe_speed(range_m, reaction, braking) * (
        1 - 1e-9
    )


@given(speeds, times, brakings, st.floats(0.1, 10), st.floats(0.1, 10))
def test_units_of_length_and_time_can_be_chosen_freely(speed, reaction, braking, length, time):
    """A formula whose units are right gives the same whatever metre and second it is told in."""
    assume(reaction > 0)
    stop = stopping(speed, reaction, braking)
    other = stopping(speed * length / time, reaction * time, braking * length / time**2)
    assert other.distance_m == pytest.approx(stop.distance_m * length)
    assert other.time_s == pytest.approx(stop.time_s * time)
    safe = safe_speed(2.0, reaction, braking, 0.1)
    scaled = safe_speed(2.0 * length, reaction * time, braking * length / time**2, 0.1 * length)
    assert scaled == pytest.approx(safe * length / time)


def test_the_caution_defers_to_standards_rules_and_people():
    for word in ("risk assessment", "safety standards", "local rules", "qualified person"):
        assert word in CAUTION
