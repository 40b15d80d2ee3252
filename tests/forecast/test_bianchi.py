"""Contention against Bianchi's published values, their variants, and a chain solved another way."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from toprung.forecast.bianchi import (
    Exchange,
    Station,
    Window,
    attempt_chance,
    contention,
    saturation,
    unsaturated_attempt,
    window_of,
)
from toprung.forecast.phys import HE, mode, ofdm

# G. Bianchi, JSAC 18(3), 2000, FHSS: 8,184 bits of payload, MAC header 272, PHY header 128, ACK 112 + 128,
# RTS 160 + 128, CTS 112 + 128 bits at 1 Mbit/s; slot 50, SIFS 28, DIFS 128, propagation 1 us.
HEADERS, PAYLOAD, ACK, RTS, CTS = 128 + 272, 8184, 240, 288, 240
SLOT, SIFS, DIFS, DELAY = 50, 28, 128, 1
BASIC = Exchange(
    SLOT, HEADERS + PAYLOAD + SIFS + DELAY + ACK + DIFS + DELAY, HEADERS + PAYLOAD + DIFS + DELAY, PAYLOAD
)
SHAKEN = RTS + SIFS + DELAY + CTS + SIFS + DELAY
RTS_CTS = Exchange(SLOT, SHAKEN + BASIC.success, RTS + DIFS + DELAY, PAYLOAD)


def test_times_of_bianchis_table():
    # the paper's table: Ts 8,982 and Tc 8,713 us; with RTS/CTS 9,568 and 417 us
    assert (BASIC.success, BASIC.collision) == (8982, 8713)
    assert (RTS_CTS.success, RTS_CTS.collision) == (9568, 417)


# roots of the paper's equations (7) and (9) with throughput (13), by an independent root finder
ROOTS = [
    (32, 3, 5, 0.04816, 0.1792, 0.8097, 0.8342),
    (32, 3, 10, 0.03869, 0.2989, 0.7532, 0.8371),
    (32, 3, 20, 0.02911, 0.4296, 0.6788, 0.8356),
    (32, 3, 50, 0.01900, 0.6094, 0.5529, 0.8270),
    (32, 5, 5, 0.04785, 0.1781, 0.8102, 0.8342),
    (32, 5, 10, 0.03731, 0.2898, 0.7579, 0.8370),
    (32, 5, 20, 0.02642, 0.3988, 0.6975, 0.8362),
    (32, 5, 50, 0.01539, 0.5324, 0.6109, 0.8317),
    (128, 3, 5, 0.01457, 0.0570, 0.8250, 0.7979),
    (128, 3, 10, 0.01352, 0.1153, 0.8263, 0.8217),
    (128, 3, 50, 0.00879, 0.3511, 0.7252, 0.8363),
]


@pytest.mark.parametrize(("w", "m", "n", "tau", "p", "basic", "rts"), ROOTS)
def test_bianchis_model(w, m, n, tau, p, basic, rts):
    found = saturation(n, Window(w, m), BASIC)
    assert found.attempt == pytest.approx(tau, abs=6e-6)
    assert found.collision == pytest.approx(p, abs=6e-5)
    assert found.throughput == pytest.approx(basic, abs=6e-5)
    assert saturation(n, Window(w, m), RTS_CTS).throughput == pytest.approx(rts, abs=6e-5)


def test_no_window_beats_bianchis_maximum():
    # equation (28) of the paper: 0.8240 basic, 0.8359 with RTS/CTS for many stations
    for exchange, most in ((BASIC, 0.8240), (RTS_CTS, 0.8359)):
        best = max(saturation(200, Window(w, 0), exchange).throughput for w in range(100, 6000, 20))
        assert best == pytest.approx(most, rel=2e-3)


# A public simulator's tables of a variant of the model, 1,500-byte packets, Mbit/s (nsnam/ns-3-dev-git,
# src/wifi/examples/wifi-bianchi.cc; recipe in its reference/*.m, *.py).  "EIFS": a collision also costs the
# missing answer.  Its attempt chances stand on a grid, up to 0.16 % of throughput from the exact root.
N = (5, 10, 15, 20, 25, 30, 40, 50)
VARIANT = {
    ("b", 1, "EIFS"): (0.8418, 0.7831, 0.7460, 0.7186, 0.6973, 0.6802, 0.6501, 0.6285),
    ("b", 2, "EIFS"): (1.6170, 1.5075, 1.4371, 1.3849, 1.3442, 1.3115, 1.2538, 1.2124),
    ("b", 5.5, "EIFS"): (3.8565, 3.6170, 3.4554, 3.3339, 3.2385, 3.1613, 3.0249, 2.9266),
    ("b", 11, "EIFS"): (6.3821, 6.0269, 5.7718, 5.5765, 5.4217, 5.2958, 5.0722, 4.9103),
    ("b", 11, "DIFS"): (6.4734, 6.1774, 5.9553, 5.7819, 5.6429, 5.5289, 5.3243, 5.1745),
    ("a", 6, "EIFS"): (4.6899, 4.3197, 4.1107, 3.9589, 3.8478, 3.7490, 3.5927, 3.4711),
    ("a", 12, "EIFS"): (8.8972, 8.2154, 7.8259, 7.5415, 7.3329, 7.1469, 6.8521, 6.6225),
    ("a", 24, "EIFS"): (16.0836, 14.9153, 14.2327, 13.7300, 13.3595, 13.0281, 12.5008, 12.0889),
    ("a", 54, "EIFS"): (29.2861, 27.3763, 26.2078, 25.3325, 24.6808, 24.0944, 23.1549, 22.4162),
    ("a", 6, "DIFS"): (4.7087, 4.3453, 4.1397, 3.9899, 3.8802, 3.7824, 3.6276, 3.5071),
    ("a", 24, "DIFS"): (16.2470, 15.1426, 14.4904, 14.0072, 13.6496, 13.3288, 12.8164, 12.4144),
    ("a", 54, "DIFS"): (29.8324, 28.1519, 27.0948, 26.2925, 25.6896, 25.1434, 24.2613, 23.5618),
    ("ax", 0, "EIFS"): (6.3381, 5.8172, 5.5223, 5.3146, 5.1525, 5.0187, 4.8034, 4.6317),
    ("ax", 7, "EIFS"): (34.1710, 31.9398, 30.5451, 29.5261, 28.7140, 28.0342, 26.9245, 26.0271),
    ("ax", 11, "EIFS"): (41.8065, 39.2749, 37.6383, 36.4282, 35.4575, 34.6414, 33.3031, 32.2164),
}
DSSS_US = {
    1: (12480, 304),
    2: (6336, 248),
    5.5: (2427, 248),
    11: (1310, 248),
}  # frame, answer: the tables' own


def variant(standard, rate, collision):
    """Window and exchange of that recipe: post-backoff makes a success longer by 1 / (1 - B) and a slot."""
    if standard == "b":
        (data, ack), sifs, difs, slot, cw = DSSS_US[rate], 10, 50, 20, 31
    else:
        sifs, difs, slot, cw = 16, 34, 9, 15
        answer = ofdm(24e6 if (standard == "ax" and rate >= 3) or rate >= 24 else max(rate, 6) * 1e6)
        ack = answer.duration_us(14)
        frame = mode(HE, 20, rate) if standard == "ax" else ofdm(rate * 1e6)
        data = frame.duration_us(1500 + (38 if standard == "ax" else 28 + 6))
    again = 0 if standard == "ax" else 1 / (cw + 1)
    delay = 0.1 if collision == "EIFS" else 0
    success = (data + sifs + ack + difs + delay) / (1 - again) + slot
    lost = data + difs + (sifs + ack + delay if collision == "EIFS" else 0)
    return window_of(cw, 1023), Exchange(slot, success, lost, 12_000 / (1 - again))


@pytest.mark.parametrize(("standard", "rate", "collision"), VARIANT)
def test_published_tables_of_the_variant(standard, rate, collision):
    window, exchange = variant(standard, rate, collision)
    found = [saturation(n, window, exchange).throughput for n in N]
    assert found == pytest.approx(VARIANT[standard, rate, collision], rel=0.002)


def test_one_station_never_collides():
    found = saturation(1, Window(16, 6), BASIC)
    assert (found.collision, found.attempt) == (0, 2 / 17)
    with pytest.raises(ValueError, match="at least one"):
        saturation(0, Window(16, 6), BASIC)


@pytest.mark.parametrize("n", [2, 3, 17, 1000, 100_000])
@pytest.mark.parametrize(
    "window", [Window(16, 6), Window(32, 5), Window(4, 1), Window(2, 0), Window(1024, 0)]
)
def test_the_equations_hold(n, window):
    found = saturation(n, window, BASIC)
    assert found.attempt == pytest.approx(attempt_chance(found.collision, window), rel=1e-9)
    assert found.collision == pytest.approx(1 - (1 - found.attempt) ** (n - 1), abs=1e-9)


def chain_attempt(p, q, w, m):
    """The chain of Duffy, Malone and Leith (2005) as a matrix: stages 0..m with their counters, and
    post-backoff counters without a frame; its stationary distribution by linear algebra."""
    widths = [w << i for i in range(m + 1)]
    start = np.cumsum([0, *widths])
    empty = int(start[-1])
    size = empty + w
    step = np.zeros((size, size))

    def spread(state, stage, chance):
        first = empty if stage is None else start[min(stage, m)]
        width = w if stage is None else widths[min(stage, m)]
        step[state, first : first + width] += chance / width

    for i, width in enumerate(widths):
        for k in range(1, width):
            step[start[i] + k, start[i] + k - 1] = 1
        spread(start[i], 0, (1 - p) * q)
        spread(start[i], None, (1 - p) * (1 - q))
        spread(start[i], i + 1, p)
    for k in range(1, w):
        step[empty + k, k - 1] += q
        step[empty + k, empty + k - 1] += 1 - q
    step[empty, empty] += 1 - q
    spread(empty, None, q * (1 - p) * (1 - p))  # the air is idle: sent at once, and well
    spread(empty, 1, q * (1 - p) * p)  # sent at once, and spoilt
    spread(empty, 0, q * p)  # the air is busy: a backoff first
    system = np.vstack([step.T - np.eye(size), np.ones(size)])
    held = np.linalg.lstsq(system, np.r_[np.zeros(size), 1], rcond=None)[0]
    return sum(held[start[i]] for i in range(m + 1)) + held[empty] * q * (1 - p)


@pytest.mark.parametrize("p", [0.0, 0.1, 0.5, 0.7])
@pytest.mark.parametrize("q", [0.01, 0.2, 0.9])
def test_the_unsaturated_formula_solves_its_chain(p, q):
    assert unsaturated_attempt(p, q, Window(8, 3)) == pytest.approx(chain_attempt(p, q, 8, 3), rel=1e-6)


@given(st.floats(0, 0.95), st.sampled_from([Window(16, 6), Window(32, 5), Window(8, 0)]))
def test_a_full_queue_is_bianchis(p, window):
    assert unsaturated_attempt(p, 1 - 1e-9, window) == pytest.approx(attempt_chance(p, window), rel=1e-5)
    assert unsaturated_attempt(p, 1.0, window) == attempt_chance(p, window)
    assert unsaturated_attempt(p, 0.0, window) == 0


FRAME = Exchange(9, 400, 380, 1)
WINDOW = window_of(15, 1023)


def stations(n, rate):
    return [Station(rate, FRAME.success, FRAME.collision)] * n


def test_little_load_is_carried_and_much_saturates():
    light = contention(stations(10, 10e-6), WINDOW, FRAME.slot)  # 10 frames a second each; unit: microsecond
    assert light.busy == pytest.approx(10 * 10e-6 * 400, rel=0.03)
    assert max(light.collisions) < 0.05
    full = contention(stations(10, 1.0), WINDOW, FRAME.slot)
    limit = saturation(10, WINDOW, FRAME)
    assert full.collisions[0] == pytest.approx(limit.collision, rel=1e-6)
    assert full.attempts[0] == pytest.approx(limit.attempt, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 30), st.floats(1e-7, 1e-2), st.floats(1, 5))
def test_more_stations_or_more_frames_never_collide_less(n, rate, factor):
    base = contention(stations(n, rate), WINDOW, FRAME.slot)
    assert (
        max(contention(stations(n + 1, rate), WINDOW, FRAME.slot).collisions) >= max(base.collisions) - 1e-6
    )
    more = contention(stations(n, rate * factor), WINDOW, FRAME.slot)
    assert max(more.collisions) >= max(base.collisions) - 1e-6
    assert 0 <= base.spoilt <= base.busy <= 1


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 300), st.integers(1, 300), st.sampled_from([Window(16, 6), Window(32, 5)]))
def test_more_saturated_stations_never_collide_less(n, more, window):
    assert saturation(n + more, window, BASIC).collision >= saturation(n, window, BASIC).collision


def test_unlike_stations():
    few, many = Station(5e-6, 400, 380), Station(800e-6, 200, 180)
    found = contention([few, many, replace(few)], WINDOW, 9)
    assert found.attempts[1] > 20 * found.attempts[0]
    assert found.collisions[0] > found.collisions[1]
    assert found.attempts[0] == pytest.approx(found.attempts[2])
    assert contention([], WINDOW, 9).busy == 0
