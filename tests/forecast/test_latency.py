"""Latency of one flow: crossings, queues, resends, a slow reader."""

from dataclasses import replace
from math import inf, log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.forecast.latency import AT_HOME, Crossing, Handling, Repair, latency

CABLE = Crossing("cable", serial_s=0.0004, busy=0.5, moment_s=0.0002, burst_s=0.003, fixed_s=0.0003)


def test_a_quiet_link_takes_only_its_own_time():
    found = latency([Crossing("cable", 0.0004, fixed_s=0.0003)])
    assert found.best_s == found.typical_s == found.worst_s == pytest.approx(0.0007)
    assert [t.says for t in found.terms] == ["across cable"]


def test_a_busy_link_adds_its_queue():
    """Half of the time nobody is ahead at rho 0.5; at worst, everything is."""
    found = latency([CABLE])
    assert found.best_s == found.typical_s == pytest.approx(0.0007)
    busier = latency([replace(CABLE, busy=0.8)])
    assert busier.typical_s == pytest.approx(0.0007 + 0.0002 / (2 * 0.2) * log(1.6) / 0.8)
    shared = latency([replace(CABLE, sharing_s=0.001)])
    assert shared.typical_s == pytest.approx(0.0017)
    assert found.worst_s == pytest.approx(0.0037)
    assert found.limit.says == "queue at cable"


def test_that_everybody_sends_at_once_is_rarer_than_rare():
    """Ten streams of 3 ms at rho 0.1: x = 3.615 solves 0.1 (exp(x) - 1) = x; 3 ms ln(10^4) / x."""
    many = Crossing("air", 0.003, busy=0.1, moment_s=0.0003, greatest_s=0.003, burst_s=0.027)
    assert latency([many]).worst_s == pytest.approx(0.003 + 0.003 * log(1e4) / 3.615, rel=1e-3)
    assert latency([replace(many, burst_s=0.003)]).worst_s == pytest.approx(0.006)


def test_a_full_link_has_no_bound():
    found = latency([replace(CABLE, busy=1.02)])
    assert (found.typical_s, found.worst_s) == (inf, inf)
    assert found.best_s == pytest.approx(0.0007)


def test_two_links_add_up():
    found = latency([CABLE, Crossing("air", 0.002, retry_s=0.001, hold_worst_s=0.1024)])
    assert found.best_s == pytest.approx(0.0027)
    assert found.worst_s == pytest.approx(0.0037 + 0.003 + 0.1024)
    assert found.limit.says == "held for a beacon of air"


def test_without_repair_what_is_lost_stays_lost():
    assert latency([CABLE], loss=0.02).lost == 0.02
    assert latency([CABLE], loss=0.02).worst_s == latency([CABLE]).worst_s


def test_repairs_cost_rounds():
    """2 %: three tries leave 8 in a million, so two more rounds at worst; half of the samples need none."""
    found = latency([CABLE], repair=Repair(0.02, 0.050, 0.060))
    resends = next(t for t in found.terms if t.says == "resends")
    assert resends.worst_s == pytest.approx(2 * 0.060)
    assert resends.typical_s == 0
    half = latency([CABLE], repair=Repair(0.6, 0.050, 0.060))
    assert next(t for t in half.terms if t.says == "resends").typical_s == pytest.approx(0.050)
    assert found.lost == 0


def test_a_short_history_gives_up_soon():
    """Kept for one period of 50 ms: one more try at most, then the next sample is the answer."""
    short = Repair(0.1, 0.040, 0.045, kept_s=0.050)
    found = latency([CABLE], repair=short)
    assert next(t for t in found.terms if t.says == "resends").worst_s == pytest.approx(0.050)
    assert found.lost == pytest.approx(0.01)
    assert latency([CABLE], repair=replace(short, kept_s=0.020)).lost == pytest.approx(0.1)


def test_nothing_comes_through_a_dead_link():
    dead = latency([CABLE], repair=Repair(1.0, 0.05, 0.06))
    assert (dead.worst_s, dead.lost) == (inf, 1.0)


def test_samples_wait_behind_discovery_on_a_slow_reader():
    found = latency([CABLE], handling=Handling("base", 0.004, 0.25, 0.040))
    waits = next(t for t in found.terms if t.says == "base is busy with discovery")
    assert waits.typical_s == 0
    assert waits.worst_s == pytest.approx(0.040)


def test_within_a_machine_nothing_is_crossed():
    assert latency([]) == AT_HOME


small = st.floats(0, 0.1)
crossings = st.builds(
    Crossing, st.just("air"), small, st.floats(0, 0.99), *(small for _ in range(6)), st.just(0.0), small
)
repairs = st.builds(
    lambda loss, quick, slower, kept: Repair(loss, quick, quick + slower, kept),
    st.floats(0, 0.9),
    small,
    small,
    st.floats(0.001, 10),
)


@given(st.lists(crossings, max_size=4), repairs, st.data())
def test_a_better_link_never_raises_latency(ways, repair, data):
    """Less of anything: no worse, in any of the three."""
    share = st.floats(0, 1)
    better = [
        replace(
            c,
            **{
                name: getattr(c, name) * data.draw(share)
                for name in (
                    "serial_s",
                    "busy",
                    "moment_s",
                    "greatest_s",
                    "burst_s",
                    "sharing_s",
                    "retry_s",
                    "fixed_s",
                    "hold_worst_s",
                )
            },
        )
        for c in ways
    ]
    once, then = latency(ways, repair=repair), latency(better, repair=repair)
    assert then.best_s <= once.best_s + 1e-12
    assert then.typical_s <= once.typical_s + 1e-12
    assert then.worst_s <= once.worst_s + 1e-12


@given(repairs, st.floats(0, 1))
def test_less_loss_never_raises_latency_nor_what_is_given_up(repair, share):
    less = replace(repair, loss=repair.loss * share)
    once, then = latency([CABLE], repair=repair), latency([CABLE], repair=less)
    assert then.typical_s <= once.typical_s + 1e-12
    assert then.worst_s <= once.worst_s + 1e-12
    assert then.lost <= once.lost + 1e-12


@given(st.lists(crossings, max_size=4), repairs)
def test_best_typical_and_worst_are_in_order(ways, repair):
    found = latency(ways, repair=repair)
    assert found.best_s <= found.typical_s + 1e-12
    assert found.typical_s <= found.worst_s + 1e-12
