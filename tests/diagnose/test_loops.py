"""Loops from captures of real traffic: a sound cart between network namespaces, and a loop declared on it."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from toprung.diagnose import diagnose
from toprung.diagnose.loops import observed_loops
from toprung.diagnose.observed import Observed
from toprung.diagnose.scene import Scene
from toprung.forecast.motion import CAUTION, safe_speed, stopping
from toprung.live.reading import CaptureWord, picture_of
from toprung.model.finding import Severity
from toprung.model.ladder import Rung, State
from toprung.model.site_file import load_site
from toprung.observe.whoiswho import recognise
from toprung.pictures.envelope import envelope

FOLDER = Path(__file__).parents[1] / "data" / "corpus" / "h_fast_router"
LOOP = """
loops:
  steer:
    through: [cart1/odom, cart1/drive]
    work: {brain_nav: 25 ms, base_drive: 5 ms}
    sense: {topic: cart1/odom, range: RANGE}
    vehicle: cart
vehicles:
  cart: {top_speed: 0.45 m/s, braking: 0.8 m/s^2, margin: 0.10 m, watchdog: 500 ms}
"""


@cache
def captured(*machines):
    site = sound()
    words = [CaptureWord(m, str(FOLDER / f"{m}.pcap.gz")) for m in machines]
    return picture_of(words, site)


def sound(range_="6 m"):
    return load_site((FOLDER / "site.yaml").read_text() + LOOP.replace("RANGE", range_))


def scene(range_="6 m", machines=("cartbase", "cartbrain")):
    site, picture = sound(range_), captured(*machines)
    return Scene(site, picture, recognise(site, picture))


def test_a_loops_reaction_is_what_its_flows_were_seen_to_take():
    """Odometry at 30 Hz, drive at 10 Hz, a millisecond between the machines: about 33 + 100 + 30 ms."""
    found = observed_loops(scene())["steer"]
    f = found.figures
    assert [str(flow) for flow in found.path] == [
        "cart1/odom base_drive -> brain_nav",
        "cart1/drive brain_nav -> base_drive",
    ]
    assert 0.160 < f.reaction_s < 0.300
    assert sum(t.worst_s for t in found.terms) == pytest.approx(f.reaction_s)
    assert 0.030 < f.age_typical_s < f.age_worst_s < f.reaction_s
    assert f.safe_speed_m_per_s == pytest.approx(safe_speed(6, f.reaction_s, 0.8, 0.1))
    assert f.stopping_distance_m == pytest.approx(stopping(0.45, f.reaction_s, 0.8).distance_m)
    assert f.watchdog_distance_m == pytest.approx(0.45 * 0.5 + 0.45**2 / 1.6)
    assert found.finding is None


def test_a_range_too_short_is_a_finding_with_packets_and_caution():
    s = scene("0.25 m")
    diagnosis = diagnose(s.site, s.picture, s.cast)
    (number, finding) = next((n, f) for n, f in enumerate(diagnosis.findings) if f.code == "loop-too-slow")
    assert (finding.severity, finding.subject) == (Severity.STOPS, "steer")
    assert CAUTION in finding.effect
    assert {e.capture for e in finding.evidence} == {"cartbase.pcap.gz", "cartbrain.pcap.gz"}
    assert all(e.packet > 0 and "ms apart" in e.says for e in finding.evidence)
    broken = [c for c in diagnosis.ladder.climbs if c.cause == "loop-too-slow"]
    assert {c.flow.topic for c in broken} == {"cart1/odom", "cart1/drive"}
    assert all(c.broken_at is Rung.TIMELY and c.findings == (number,) for c in broken)


def test_a_sound_loop_breaks_nothing():
    s = scene()
    diagnosis = diagnose(s.site, s.picture, s.cast)
    steering = [c for c in diagnosis.ladder.climbs if c.flow.topic in ("cart1/odom", "cart1/drive")]
    assert {c.states[-1] for c in steering} == {State.HELD}


def test_one_view_alone_does_not_tell_how_old_samples_are():
    """Clocks that nobody compared: the commands' age on the base is not known from the brain's capture."""
    found = observed_loops(scene(machines=("cartbrain",)))["steer"]
    assert found.figures.reaction_s is None
    assert found.figures.watchdog_distance_m is not None
    assert "loops.steer: no known flow of" in found.missing[0]


def test_loops_are_in_the_json():
    s = scene()
    diagnosis = diagnose(s.site, s.picture, s.cast)
    told = envelope(Observed(s.site, True, s.picture, s.cast, diagnosis.ladder, diagnosis.findings))
    assert told["loops"]["steer"]["reaction_s"] == observed_loops(s)["steer"].figures.reaction_s
    assert None not in told["loops"]["steer"].values()


def test_a_site_without_loops_asks_nothing_of_the_captures():
    s = scene()
    assert observed_loops(Scene(replace(s.site, loops=()), s.picture, s.cast)) == {}
