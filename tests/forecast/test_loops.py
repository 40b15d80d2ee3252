"""Loops of a site: the way through its topics, the steps, the vehicle's speed."""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.forecast.chain import NOTHING, Pace, Span, pace
from toprung.forecast.loops import Leg, loops_of
from toprung.forecast.motion import CAUTION, safe_speed, stopping
from toprung.model.finding import Severity
from toprung.model.ladder import Rung
from toprung.model.site_file import load_site

SITE = """
site: fernhouse
machines:
  base: {role: base}
  brain: {}
  desk: {}
participants:
  lidar: {machine: brain}
  pilot: {machine: brain}
  driver: {machine: base}
  panel: {machine: desk}
topics:
  scan: {rate: 10 Hz, from: lidar, to: [pilot, panel]}
  drive: {rate: 20 Hz, from: pilot, to: [driver, panel]}
  picture: {rate: 5 Hz, from: lidar, to: panel}
  goal: {from: panel, to: pilot}
loops:
  avoid:
    through: [scan, drive]
    work: {pilot: 25 ms, driver: 2 ms}
    sense: {topic: scan, range: RANGE}
    vehicle: cart
vehicles:
  cart: {top_speed: 0.45 m/s, braking: 0.8 m/s^2, margin: 0.10 m, watchdog: 500 ms}
"""


def site(range_="6 m", **changes):
    text = SITE.replace("RANGE", range_)
    for old, new in changes.values():
        assert old in text
        text = text.replace(old, new)
    return load_site(text)


def legs(site, typical=0.001, worst=0.005, slow=()):
    return [
        Leg(
            f.flow,
            Span(1.0, 1.0) if str(f.flow) in slow else Span(typical, worst),
            pace(1 / f.rate_hz) if f.rate_hz else None,
        )
        for f in site.flows()
    ]


def avoid(found_site, **ways):
    return loops_of(found_site, legs(found_site, **ways))["avoid"]


def test_the_steps_add_up_to_the_reaction():
    """Scan every 100 ms, 5 ms to the pilot, drive every 50 ms, 25 ms of work, 5 ms to the driver, 2 ms."""
    found = avoid(site())
    assert [(t.says, round(1e3 * t.worst_s)) for t in found.terms] == [
        ("wait for scan", 100),
        ("scan to pilot", 5),
        ("wait for drive", 50),
        ("pilot works", 25),
        ("drive to driver", 5),
        ("driver works", 2),
    ]
    f = found.figures
    assert f.reaction_s == pytest.approx(0.187)
    assert f.age_worst_s == pytest.approx(0.137)
    assert f.age_typical_s == pytest.approx(0.050 + 0.001 + 0.025 + 0.001 + 0.002)
    assert sum(t.worst_s for t in found.terms) == pytest.approx(f.reaction_s)
    assert [str(flow) for flow in found.path] == ["scan lidar -> pilot", "drive pilot -> driver"]


def test_speed_and_distances_follow():
    found = avoid(site())
    f = found.figures
    assert f.safe_speed_m_per_s == pytest.approx(safe_speed(6, 0.187, 0.8, 0.1))
    assert f.stopping_distance_m == pytest.approx(stopping(0.45, 0.187, 0.8).distance_m)
    assert f.watchdog_distance_m == pytest.approx(0.45 * 0.5 + 0.45**2 / 1.6)
    assert found.walking_m_per_s == pytest.approx(safe_speed(6, 0.187, 0.8, 0.1, 1.6))
    assert found.finding is None
    assert found.missing == ()


def test_a_base_acts_whoever_else_reads_the_last_topic():
    found = avoid(site(), slow=("drive pilot -> panel",))
    assert found.path[-1].reader == "driver"
    everybody = avoid(site(base=("{role: base}", "{}")), slow=("drive pilot -> panel",))
    assert everybody.path[-1].reader == "panel"


def test_a_loop_too_slow_for_its_range_is_found_and_says_what_to_do():
    found = avoid(site("0.3 m"))
    finding = found.finding
    assert (finding.code, finding.rung, finding.severity) == ("loop-too-slow", Rung.TIMELY, Severity.STOPS)
    safe = safe_speed(0.3, 0.187, 0.8, 0.1)
    assert f"{safe:.2f} m/s" in finding.says
    assert "187 ms" in finding.says
    assert CAUTION in finding.effect
    assert finding.remedies[0] == f"Limit cart to {int(safe * 100) / 100:.2f} m/s."
    assert "wait for scan, 100 ms" in finding.remedies[1]


def test_a_flow_that_never_arrives_leaves_no_speed():
    stuck = avoid(site(), worst=inf)
    assert (stuck.figures.reaction_s, stuck.figures.stopping_distance_m) == (None, None)
    assert stuck.figures.safe_speed_m_per_s == 0
    assert "does not keep up" in stuck.finding.says
    assert "no bound" in stuck.finding.remedies[1]


def test_too_much_work_is_never_done():
    slow = avoid(site(work=("pilot: 25 ms", "pilot: 60 ms")))
    assert slow.figures.reaction_s is None
    assert slow.figures.safe_speed_m_per_s == 0


def test_work_for_another_loop_is_in_the_way():
    other = "  watch: {through: [scan, drive], work: {pilot: 10 ms}}\nvehicles:"
    found = avoid(site(more=("vehicles:", other)))
    works = next(t for t in found.terms if t.says == "pilot works")
    assert works.worst_s == pytest.approx(0.035)
    assert works.typical_s == pytest.approx(0.025)
    assert any("one loop at a time" in text for text in found.assumptions)


def test_topics_that_nobody_joins_are_no_loop():
    found = avoid(site(through=("through: [scan, drive]", "through: [picture, drive]")))
    assert found.path == ()
    assert "nobody reads picture and writes drive" in found.missing[0]
    assert found.figures.reaction_s is None
    assert found.figures.watchdog_distance_m is not None


def test_what_the_site_leaves_out_is_named():
    found = avoid(site(sense=("    sense: {topic: scan, range: RANGE}".replace("RANGE", "6 m"), "")))
    assert found.missing == ("loops.avoid.sense.range",)
    assert found.figures.safe_speed_m_per_s is None
    assert found.figures.reaction_s is not None
    bare = avoid(site(cart=("top_speed: 0.45 m/s, braking: 0.8 m/s^2, ", "")))
    assert bare.missing == ("vehicles.cart.braking", "vehicles.cart.top_speed")
    assert bare.figures.stopping_distance_m is None


def test_a_topic_without_a_rate_is_written_at_once():
    found = avoid(site(rate=("drive: {rate: 20 Hz, ", "drive: {")))
    assert "wait for drive" not in [t.says for t in found.terms]
    assert found.figures.reaction_s == pytest.approx(0.137)
    assert any("as soon as" in text for text in found.assumptions)


def test_what_comes_before_the_sensing_topic_does_not_slow_the_stop():
    longer = avoid(site(through=("through: [scan, drive]", "through: [goal, drive]")))
    assert longer.missing == ()
    whole = avoid(site(sense=("sense: {topic: scan", "sense: {topic: drive")))
    assert whole.figures.reaction_s == pytest.approx(0.187)
    assert whole.figures.safe_speed_m_per_s == pytest.approx(safe_speed(6, 0.082, 0.8, 0.1))


def test_losses_are_a_step_of_their_own():
    s = site()
    lossy = [Leg(x.flow, x.latency, pace(0.1, 0.02) if x.flow.topic == "scan" else x.pace) for x in legs(s)]
    found = loops_of(s, lossy)["avoid"]
    step = next(t for t in found.terms if t.says == "scan lost in a row")
    assert step.worst_s == pytest.approx(0.2)
    assert found.figures.reaction_s == pytest.approx(0.387)


@given(st.floats(0, 0.2), st.floats(0, 0.2), st.floats(0, 0.5), st.floats(0, 0.5))
def test_a_slower_flow_never_raises_the_safe_speed(one, other, lost, more):
    s = site()
    quick, slow = sorted((one, other))
    less, lossy = sorted((lost, more))

    def found(worst, lost):
        chosen = [Leg(x.flow, Span(0, worst), pace(0.05, lost) if x.pace else Pace(NOTHING)) for x in legs(s)]
        return loops_of(s, chosen)["avoid"].figures

    assert found(slow, less).safe_speed_m_per_s <= found(quick, less).safe_speed_m_per_s
    assert found(quick, lossy).safe_speed_m_per_s <= found(quick, less).safe_speed_m_per_s
    assert found(slow, less).reaction_s >= found(quick, less).reaction_s


@given(st.floats(0.2, 20))
def test_twice_the_range_never_lowers_the_safe_speed(range_m):
    once, twice = (avoid(site(f"{r:.6f} m")).figures.safe_speed_m_per_s for r in (range_m, 2 * range_m))
    assert twice >= once
