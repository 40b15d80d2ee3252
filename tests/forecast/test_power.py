"""Run time, way home and dock time of a battery."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.forecast.power import endurance, peukert_exponent, peukert_time, power_of, rated_time
from toprung.model.figures import PowerFigures
from toprung.model.site import Power, PowerLoad
from toprung.model.site_file import load_site
from toprung.model.site_text import site_text


@pytest.mark.parametrize(
    ("capacity", "hours", "draw", "exponent", "time"),
    [  # t = H (C / (I H))^k; the first is widely quoted as 8.7 h (from memory), the rest by the formula
        (100, 20, 10, 1.2, 8.70551),
        (100, 20, 5, 1.2, 20.0),
        (100, 20, 20, 1.25, 3.53553),
        (100, 20, 25, 1.3, 2.46814),
        (42, 2, 21, 1.0, 2.0),
    ],
)
def test_rated_form(capacity, hours, draw, exponent, time):
    assert rated_time(capacity, hours, draw, exponent) == pytest.approx(time, abs=5e-6)


def test_delivered_charge_of_the_rated_form():
    assert 10 * rated_time(100, 20, 10, 1.2) == pytest.approx(87.06, abs=0.005)
    assert 25 * rated_time(100, 20, 25, 1.3) == pytest.approx(61.70, abs=0.005)


def test_peukert_capacity_form_differs_by_much():
    """Two published tutorials' examples: 250 at 20 A, k 1.3; and 100 at 5 A, k 1.2 ("14.5 h")."""
    assert peukert_time(250, 20, 1.3) == pytest.approx(5.088631644, abs=5e-10)
    assert 20 * peukert_time(250, 20, 1.3) == pytest.approx(101.772632884, abs=5e-9)
    assert peukert_time(100, 5, 1.2) == pytest.approx(14.496, abs=5e-4)
    assert rated_time(100, 20, 5, 1.2) > 1.3 * peukert_time(100, 5, 1.2)


def test_exponent_from_two_discharges():
    assert peukert_exponent(5, 20, 25, 2.9) == pytest.approx(1.19981, abs=5e-6)


CART = Power(
    "cart",
    capacity_wh=60.0,
    loads=(PowerLoad("drive", 14.0), PowerLoad("compute", 9.0), PowerLoad("sensors", 5.0)),
    reserve=0.2,
    dock_power_w=30.0,
    farthest_m=90.0,
    speed_m_per_s=0.3,
)


def test_a_carts_day():
    """60 Wh at 28 W, a fifth kept: 0.8 x 60 / 28 h; 48 Wh at 30 W to charge; 300 s home take 2.33 Wh."""
    f = endurance(CART).figures
    assert f.power_w == 28.0
    assert f.run_time_s == pytest.approx(3600 * 48 / 28)
    assert f.charge_time_s == pytest.approx(3600 * 48 / 30)
    assert f.dock_share == pytest.approx((48 / 30) / (48 / 30 + 48 / 28))
    assert (f.home_time_s, f.home_wh) == (pytest.approx(300), pytest.approx(28 / 12))
    assert f.home_covered is True


def test_too_far_for_the_reserve():
    far = Power("cart", 60.0, CART.loads, 0.2, farthest_m=600.0, speed_m_per_s=0.3)
    assert endurance(far).figures.home_covered is False


def test_an_exponent_shortens_the_run_beyond_the_rated_draw():
    k = Power("cart", 60.0, CART.loads, 0.2, peukert=1.1, rated_ns=5 * 3600 * 10**9)
    assert endurance(k).figures.run_time_s == pytest.approx(0.8 * 3600 * 5 * (60 / (28 * 5)) ** 1.1)
    assert endurance(k).figures.run_time_s < endurance(CART).figures.run_time_s
    assert "20 h" in " ".join(endurance(Power("c", 60.0, CART.loads, peukert=1.2)).assumptions)


def test_what_is_not_declared_is_not_known_and_named():
    found = endurance(Power("cart", loads=CART.loads))
    assert found.figures == PowerFigures(power_w=28.0)
    assert "power.cart.capacity" in found.missing
    assert endurance(Power("cart")).figures == PowerFigures()
    assert endurance(Power("cart", 60.0, (PowerLoad("off", 0.0),))).figures.run_time_s is None


def test_the_site_file_says_it_and_is_written_again():
    site = load_site(
        "site: fernhouse\npower: {cart: {capacity: 60 Wh, loads: {drive: 14 W}, peukert: 1.15, rated: 20 h, "
        "farthest: 120 m, speed: 0.25 m/s}}"
    )
    assert power_of(site)["cart"].figures.home_time_s == 480
    assert load_site(site_text(site)) == site


@given(st.floats(1, 1000), st.floats(1, 200), st.floats(1, 1.5), st.floats(1, 4))
def test_more_draw_never_lasts_longer(capacity, draw, exponent, factor):
    once = rated_time(capacity, 20, draw, exponent)
    assert rated_time(capacity, 20, draw * factor, exponent) <= once * (1 + 1e-12)
    assert rated_time(capacity * factor, 20, draw, exponent) >= once * (1 - 1e-12)
