"""Probes' results as evidence: alone, beside captures that agree, and against captures that do not."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest

from tests.diagnose.made_probes import AIR, BASE, BLOCKED, BRAIN, DESK, STARTED, ports, results
from tests.test_captures import OWN
from toprung.diagnose import diagnose
from toprung.diagnose.probe_faults import path_faults, unheard
from toprung.live.reading import CaptureWord, picture_of
from toprung.model.finding import Severity
from toprung.model.ladder import RUNGS, Rung, State
from toprung.model.picture import NOTHING, Spread
from toprung.model.probe import Caller, ClockCheck, FlowCheck, Party, Served, SizeCheck, Train
from toprung.model.site_file import load_site

EXAMPLE = Path(str(files("toprung.examples"))) / "fernhouse"
SITE = load_site((EXAMPLE / "site.yaml").read_bytes(), "site.yaml")


def rung(diagnosis, topic, which):
    climb = next(c for c in diagnosis.ladder.climbs if c.flow.topic == topic)
    return climb.states[RUNGS.index(which)], climb.cause


def by_probe(*probes):
    return diagnose(SITE, NOTHING, probes=probes)


@pytest.mark.parametrize(
    ("there", "back", "code"),
    [
        ({"ports": ports(multicast=0)}, {"ports": ports(multicast=0)}, "multicast-blocked"),
        ({"ports": ports(unicast=0)}, {}, "unicast-blocked"),
        (BLOCKED, {}, "one-way"),
        ({}, BLOCKED, "one-way"),
        (BLOCKED, BLOCKED, "path-blocked"),
        ({"unfragmented": SizeCheck(300, 301, 1472), "fragmented": None}, {}, "mtu-hole"),
        ({"ports": (*ports()[:1], replace(ports()[1], arrived=0), *ports()[2:])}, {}, "unicast-blocked"),
    ],
)
def test_what_does_not_pass_breaks_every_flow_of_the_two_machines(there, back, code):
    found = by_probe(results(there, back))
    for topic in ("cart1/odom", "cart1/drive"):
        assert rung(found, topic, Rung.PATH) == (State.BROKEN, code)
    assert rung(found, "cart1/goal", Rung.PATH) == (State.UNSEEN, None)
    (finding,) = found.findings
    assert (finding.code, finding.severity) == (code, Severity.STOPS)
    assert [(e.capture, e.packet, e.place) for e in finding.evidence] == [
        ("brain-base.json", 0, "brain-base.json")
    ]


@pytest.mark.parametrize(
    ("there", "code"),
    [
        ({"unfragmented": SizeCheck(1400, 1401, 1472)}, "mtu-hole"),
        ({"fragmented": SizeCheck(None, 1473, 65507)}, "fragments-blocked"),
    ],
)
def test_a_size_breaks_only_flows_that_need_it(there, code):
    found = by_probe(results(there, near=AIR, far=DESK))
    assert rung(found, "cart1/picture", Rung.PATH) == (State.BROKEN, code)
    assert rung(found, "cart1/scan", Rung.PATH) == (State.BROKEN, code)
    assert rung(found, "cart1/goal", Rung.PATH) == (State.HELD, None)  # small, and the other way


def test_a_probe_that_gets_through_holds_the_path_alone():
    found = by_probe(results())
    for topic in ("cart1/odom", "cart1/battery", "cart1/drive"):
        assert rung(found, topic, Rung.PATH) == (State.HELD, None)
    assert rung(found, "cart1/goal", Rung.PATH) == (State.UNSEEN, None)
    assert rung(found, "cart1/odom", Rung.HEARD) == (State.UNSEEN, None)
    assert found.findings == ()


def test_nothing_known_holds_and_breaks_nothing():
    unknown = tuple(replace(c, arrived=None) for c in ports())
    found = by_probe(results({"ports": unknown}, {"ports": unknown}, answered=False, clock=None))
    assert rung(found, "cart1/odom", Rung.PATH) == (State.UNSEEN, None)
    assert found.findings == ()


def test_multicast_one_way_is_a_note_for_who_asks_and_nothing_for_a_flow():
    lost = results({"ports": ports(multicast=0)})
    assert [(f.code, f.severity) for f in path_faults(lost, "brain", "base")] == [
        ("multicast-blocked", Severity.NOTE)
    ]
    assert rung(by_probe(lost), "cart1/odom", Rung.PATH) == (State.HELD, None)


def test_multicast_is_not_missed_by_who_looks_for_peers():
    text = (EXAMPLE / "site.yaml").read_text()
    for name in ("driver: {machine: base", "pilot: {machine: brain"):
        text = text.replace(name, name + ", discovery: {peers: [10.77.1.1, 10.77.1.2]}")
    site = load_site(text.encode(), "site.yaml")
    none = {"ports": ports(multicast=0)}
    found = diagnose(site, NOTHING, probes=(results(none, none),))
    assert rung(found, "cart1/odom", Rung.PATH) == (State.HELD, None)


def test_a_server_that_heard_nobody_meanwhile_makes_silence_a_blocked_path():
    unknown = tuple(replace(c, arrived=None) for c in ports())
    asked = results({"ports": unknown}, {"ports": ()}, answered=False, clock=None)
    served = Served("base.json", STARTED - 20 * 10**9, 60.0, 7, "0123abcd", Party("base", (BASE,)), ())
    assert rung(by_probe(asked, served), "cart1/odom", Rung.PATH) == (State.BROKEN, "path-blocked")
    for other in (
        replace(served, key="ffffffff"),
        replace(served, started_ns=STARTED + 60 * 10**9),
        replace(served, callers=(Caller(BRAIN, 3, 0, True),)),
        replace(served, near=Party("desk", (DESK,))),
    ):
        assert unheard(asked, other, "brain", "base") is None
    assert rung(by_probe(asked), "cart1/odom", Rung.PATH) == (State.UNSEEN, None)


def test_a_server_knows_that_its_answers_get_lost():
    served = Served(
        "base.json", STARTED, 60.0, 7, "0123abcd", Party("base", (BASE,)), (Caller(BRAIN, 24, 24, False),)
    )
    assert rung(by_probe(served), "cart1/odom", Rung.PATH) == (State.BROKEN, "one-way")
    well = replace(served, callers=(Caller(BRAIN, 1, 0, True), Caller(BRAIN, 1, 1, False)))
    assert rung(by_probe(well), "cart1/odom", Rung.PATH) == (State.UNSEEN, None)


# time


@pytest.mark.parametrize(
    ("offset", "within_holds"), [(0.012, True), (0.019, True), (0.022, False), (-3.0, False)]
)
def test_a_clock_that_is_off_by_more_than_half_of_what_is_allowed(offset, within_holds):
    """cart1/odom may be 40 ms old."""
    found = by_probe(results(clock=ClockCheck(offset, 0.001, None)))
    expected = (State.UNSEEN, None) if within_holds else (State.BROKEN, "clock-offset")
    assert rung(found, "cart1/odom", Rung.TIMELY) == expected
    if not within_holds:
        assert "brain-base.json" in {e.capture for f in found.findings for e in f.evidence}


def test_bursts_that_take_longer_than_the_samples_may():
    def late(p50):
        delay = Spread(100, 0.001, 0.002, p50, 0.2, 0.3)
        check = FlowCheck("cart1/odom", "driver", "pilot", 720, 50.0, 1, 100, 100, Train(100, 100, 0, delay))
        return rung(by_probe(results(back={"flows": (check,)})), "cart1/odom", Rung.TIMELY)

    assert late(0.05) == (State.BROKEN, "late")
    assert late(0.03) == (State.UNSEEN, None)


# beside captures


@pytest.fixture(scope="module")
def picture():
    """The packaged captures: the path holds everywhere, and the clocks agree."""
    words = [CaptureWord(m, str(EXAMPLE / f"{m}.pcap.gz")) for m in ("base", "brain", "desk")]
    return picture_of(words, SITE)


def test_captures_are_not_overruled_and_it_is_said(picture):
    alone = diagnose(SITE, picture)
    found = diagnose(SITE, picture, probes=(results(BLOCKED, {}, clock=None),))
    assert found.ladder == alone.ladder
    notes = [f for f in found.findings if f not in alone.findings]
    assert [(f.code, f.severity, f.subject) for f in notes] == [("one-way", Severity.NOTE, "brain -> base")]
    assert notes[0].evidence[0].capture == "brain-base.json"
    assert "captures show that it does" in notes[0].says


def test_a_probe_that_agrees_changes_nothing(picture):
    assert diagnose(SITE, picture, probes=(results(),)) == diagnose(SITE, picture)


def test_a_clock_set_in_between_is_said(picture):
    alone = diagnose(SITE, picture)
    found = diagnose(SITE, picture, probes=(results(clock=ClockCheck(4.0, 0.001, None)),))
    assert found.ladder == alone.ladder
    (note,) = [f for f in found.findings if f not in alone.findings]
    assert (note.code, note.severity) == ("clock-offset", Severity.NOTE)


def test_large_samples_that_arrive_disprove_a_hole(picture):
    hole = {"unfragmented": SizeCheck(1000, 1001, 1472)}
    found = diagnose(SITE, picture, probes=(results(hole, near=AIR, far=DESK, clock=None),))
    assert found.ladder == diagnose(SITE, picture).ladder
    assert ("mtu-hole", Severity.NOTE) in {(f.code, f.severity) for f in found.findings}


def test_a_blocked_path_in_captures_says_what_the_probe_saw():
    """The captures' finding stands; the probe's result is among its evidence."""
    case = OWN / "p_mix_fragments"
    site = load_site((case / "site.yaml").read_bytes(), "site.yaml")
    captured = picture_of(
        [CaptureWord(p.name.split(".")[0], str(p)) for p in sorted(case.glob("*.pcap*"))], site
    )

    def found(*probes):
        findings = diagnose(site, captured, probes=probes).findings
        return next(f for f in findings if f.code == "fragments-blocked")

    near, far = (sorted(site.machine(name).hosts)[0] for name in found().subject.split(" -> "))
    said = found(results(near=near, far=far, clock=None))
    assert said.evidence[:-1] == found().evidence
    assert said.evidence[-1].capture == "brain-base.json"
    assert "gets through" in said.evidence[-1].says
    torn = {"fragmented": SizeCheck(None, 1473, 65507)}
    agrees = found(results(torn, near=near, far=far, clock=None))
    assert agrees.evidence[-1].says == "1,473 B, two fragments, do not arrive in any try"
