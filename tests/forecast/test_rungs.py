"""Every cause that a forecast knows, from a site that differs from a sound one in one thing."""

import pytest

from tests.forecast.sites import causes, climb_of, finding_of, forecast_of
from toprung.model.causes import CAUSES
from toprung.model.finding import Severity
from toprung.model.ladder import Rung, State

TOPICS = ("odom", "drive", "picture")
DRIVER = "driver: {machine: base, middleware: cyclone"
PILOT = "pilot: {machine: brain, middleware: cyclone"
PANEL = "panel: {machine: desk, middleware: cyclone"
FAST = ("middleware: cyclone", "middleware: fast")
BEHIND = ("from: pilot, to: panel", "from: driver, to: panel")  # two links away
BOTH = "unicast, multicast"  # what a router passes on
AIR = "wlan0: 10.0.2.1/24"


def peers(participant, *addresses):
    return participant, f"{participant}, discovery: {{peers: [{', '.join(addresses)}]}}"


def asks(participant, server):
    """By a central server, which Cyclone DDS does not know."""
    named = participant.replace("cyclone", "fast")
    return participant, f"{named}, discovery: {{server: {server}}}"


def everybody_asks(*servers):
    return [asks(p, server) for p, server in zip((DRIVER, PILOT, PANEL), servers, strict=True)]


def budget(what):
    return "base: {", f"base: {{budget: {{{what}}}, "


LOOP = """
loops:
  avoid:
    {{through: [odom, drive], work: {{pilot: 10 ms}}, sense: {{topic: odom, range: 1 m}}, vehicle: cart}}
vehicles: {{cart: {{top_speed: {top} m/s, braking: 1 m/s^2, margin: 0.1 m, watchdog: 300 ms}}}}
"""


def passing(what):
    return "brain: {", f"brain: {{forwards: [{what}], "


def odom(qos):
    return "qos: {reliability: reliable}", f"qos: {{{qos}}}"


BROKEN = {
    "no subnet in common": (
        [("10.0.1.2/24", "10.9.1.2/24")],
        {"odom": "no-route", "drive": "no-route"},
    ),
    "a router that is none": ([BEHIND], {"picture": "no-route"}),
    "a router without multicast": ([BEHIND, passing("unicast")], {"picture": "multicast-blocked"}),
    "one hop of multicast": ([BEHIND, passing(BOTH), FAST], {"picture": "ttl-spent"}),
    "greater packets than the other end takes": (
        [(AIR, "wlan0: {address: 10.0.2.1/24, mtu: 9000 B}"), ("12 kB", "6 kB")],
        {"picture": "mtu-hole"},
    ),
    "loopback only": (
        [(PILOT, f"{PILOT}, interfaces: [lo]"), (AIR, f"lo: 127.0.0.1/8, {AIR}")],
        dict.fromkeys(TOPICS, "loopback-only"),
    ),
    "tied to the cable": ([(PILOT, f"{PILOT}, interfaces: [usb0]")], {"picture": "wrong-interface"}),
    "lists that lack each other": (
        [peers(PANEL, "10.0.2.9"), peers(PILOT, "10.0.1.2"), peers(DRIVER, "10.0.1.1")],
        {"picture": "peer-missing"},
    ),
    "a list beside multicast": ([peers(PANEL, "10.0.2.1")], {"picture": "discovery-mode"}),
    "a server beside multicast": ([asks(PANEL, "10.0.2.1:11811")], {"picture": "discovery-mode"}),
    "two servers": (
        everybody_asks("10.0.1.1:11811", "10.0.1.1:11812", "10.0.2.1:11811"),
        dict.fromkeys(TOPICS, "discovery-mode"),
    ),
    "a server that nobody is": (
        everybody_asks("10.0.1.1:11811", "10.0.1.1:11811", "10.0.2.77:11811"),
        {"picture": "server-absent"},
    ),
    "a server out of reach": (
        everybody_asks(*["10.0.2.1:11811"] * 3),
        {"odom": "server-absent", "drive": "server-absent"},
    ),
    "best effort offered": (
        [odom("offered: {reliability: best_effort}, requested: {reliability: reliable}")],
        {"odom": "qos-reliability"},
    ),
    "volatile offered": ([odom("requested: {durability: transient_local}")], {"odom": "qos-durability"}),
    "a longer deadline": (
        [odom("offered: {deadline: 200 ms}, requested: {deadline: 100 ms}")],
        {"odom": "qos-deadline"},
    ),
    "a latency budget": ([odom("offered: {latency_budget: 20 ms}")], {"odom": "qos-latency-budget"}),
    "a weaker liveliness": ([odom("requested: {liveliness: manual_by_topic}")], {"odom": "qos-liveliness"}),
    "exclusive on one side": ([odom("offered: {ownership: exclusive}")], {"odom": "qos-ownership"}),
    "order by source asked for": (
        [odom("requested: {destination_order: by_source_timestamp}")],
        {"odom": "qos-destination-order"},
    ),
    "group presentation asked for": (
        [odom("requested: {presentation: group}")],
        {"odom": "qos-presentation"},
    ),
    "another encoding": (
        [odom("offered: {data_representation: xcdr2}, requested: {data_representation: xcdr1}")],
        {"odom": "data-representation"},
    ),
    "another partition": (
        [odom("offered: {partition: left}, requested: {partition: right}")],
        {"odom": "partition"},
    ),
    "more than the air carries": (
        [("size: 12 kB, rate: 5 Hz", "size: 400 kB, rate: 50 Hz")],
        {"picture": "link-full"},
    ),
    "more than the cable carries": (
        [("rate: 200 Mbit/s", "rate: 200 kbit/s")],
        {"odom": "link-full", "drive": "link-full"},
    ),
    "more loss than the topic bears": (
        [("delay: 1 ms, loss: 0 %", "delay: 1 ms, loss: 2 %"), ("rate: 5 Hz,", "rate: 5 Hz, loss: 5 %,")],
        {"picture": "loss"},
    ),
    "fragments that pile up": (
        [
            ("delay: 1 ms, loss: 0 %", "delay: 1 ms, loss: 2 %"),
            ("size: 12 kB, rate: 5 Hz,", "size: 60 kB, rate: 20 Hz, loss: 90 %,"),
            FAST,
        ],
        {"picture": "loss"},
    ),
    "two that command": (
        [("from: pilot, to: driver", "exclusive: true, from: [pilot, panel], to: driver"), passing(BOTH)],
        {"drive": "rival-writers"},
    ),
    "more participants than the base can keep": (
        [budget("participants: 1")],
        {"odom": "discovery-overload", "drive": "discovery-overload"},
    ),
    "more endpoints than the base can keep": (
        [budget("endpoints: 3")],
        {"odom": "discovery-overload", "drive": "discovery-overload"},
    ),
    "more messages than the base can take": (
        [budget("messages: 3 Hz"), ("within: 40 ms", "within: 4 s")],
        {"odom": "discovery-overload", "drive": "discovery-overload"},
    ),
    "older than allowed": (
        [("qos: {reliability: best_effort}", "within: 3 ms, qos: {reliability: best_effort}")],
        {"picture": "late"},
    ),
    "resends that take too long": (
        [FAST, ("delay: 0.3 ms, loss: 0 %", "delay: 0.3 ms, loss: 2 %")],
        {"odom": "late", "drive": "late"},
    ),
    "faster than the loop reacts": (
        [("links:", f"{LOOP.format(top=3)}links:")],
        {"odom": "loop-too-slow", "drive": "loop-too-slow"},
    ),
    "source order with Fast DDS": (
        [FAST, odom("destination_order: by_source_timestamp")],
        {"odom": "endpoint-absent"},
    ),
}


@pytest.mark.parametrize("case", BROKEN)
def test_one_thing_wrong_has_its_cause(case):
    edits, wrong = BROKEN[case]
    made = forecast_of(*edits)
    assert causes(made) == dict.fromkeys(TOPICS) | wrong
    for topic, code in wrong.items():
        climb, finding = climb_of(made, topic), finding_of(made, topic)
        assert (finding.code, finding.rung) == (code, CAUSES[code][0])
        assert climb.broken_at is CAUSES[code][0]
        assert finding.severity is not Severity.NOTE
        assert finding.says
        assert finding.effect
        assert finding.remedies
        assert finding.evidence == ()
    assert made.has_findings


SOUND = {
    "nothing changed": [],
    "a router with multicast": [BEHIND, passing(BOTH)],
    "one list is enough": [peers(PANEL, "10.0.2.1"), peers(PILOT, "10.0.1.2"), peers(DRIVER, "10.0.1.2")],
    "a list towards Fast DDS, which keeps the standard's ports": [
        peers(PANEL, "10.0.2.1"),
        (PILOT, PILOT.replace("cyclone", "fast")),
    ],
    "small enough for the smaller end": [
        (AIR, "wlan0: {address: 10.0.2.1/24, mtu: 9000 B}"),
        ("12 kB", "1 kB"),
    ],
    "one server at two addresses": everybody_asks("10.0.1.1:11811", "10.0.1.1:11811", "10.0.2.1:11811"),
    "Fast DDS among itself passes over latency budgets": [FAST, odom("offered: {latency_budget: 20 ms}")],
    "slower than the loop reacts": [("links:", f"{LOOP.format(top=0.5)}links:")],
    "budgets that suffice": [budget("participants: 2, endpoints: 5, messages: 200 Hz")],
    "nothing said of discovery and middleware": [(", middleware: cyclone", "")],
}


@pytest.mark.parametrize("case", SOUND)
def test_what_looks_odd_and_works(case):
    made = forecast_of(*SOUND[case])
    assert causes(made) == dict.fromkeys(TOPICS)
    assert not made.has_findings


def test_the_limit_is_named():
    full = finding_of(forecast_of(*BROKEN["more than the air carries"][0]), "picture")
    assert full.subject == "air"
    assert "picture of pilot" in full.says
    assert full.remedies[0].startswith("Send less over air: a lower rate or size of picture first")
    piled = finding_of(forecast_of(*BROKEN["fragments that pile up"][0]), "picture")
    assert piled.subject == "desk"
    assert "reassembly memory" in piled.says
    assert "1,400 B" in piled.remedies[0]


def test_a_full_second_is_no_fault_if_its_queue_empties():
    edits = [budget("messages: 10 Hz"), ("within: 40 ms", "within: 4 s")]
    hurts = finding_of(forecast_of(*edits), "odom")
    assert (hurts.code, hurts.severity) == ("discovery-overload", Severity.HURTS)
    made = forecast_of(*edits, simulate=True)
    assert causes(made) == dict.fromkeys(TOPICS)
    note = next(f for f in made.findings if f.code == "discovery-overload")
    assert note.severity is Severity.NOTE
    assert "against a budget of 10" in note.says
    assert not made.has_findings


def test_a_queue_that_grows_stops_the_flow():
    patient = ("within: 40 ms", "within: 400 s")
    stopped = finding_of(forecast_of(budget("messages: 0.3 Hz"), patient, simulate=True), "odom")
    assert (stopped.code, stopped.severity) == ("discovery-overload", Severity.STOPS)


def test_a_queue_longer_than_a_lease_hurts():
    patient = ("within: 40 ms", "within: 400 s")
    hurts = finding_of(forecast_of(budget("messages: 2 Hz"), patient, simulate=True), "odom")
    assert (hurts.code, hurts.severity) == ("discovery-overload", Severity.HURTS)
    assert "leases may lapse" in hurts.effect


def test_an_overload_says_what_a_server_would_spare():
    crowd = "".join(f"  aux{n}: {{machine: brain, middleware: fast}}\n" for n in range(5))
    made = forecast_of(FAST, ("  pilot:", f"{crowd}  pilot:"), budget("participants: 4"))
    overload = finding_of(made, "odom")
    assert overload.subject == "base"
    assert overload.says == (
        "base is the limit: 7 participants against a budget of 4; with a central server it would be 3."
    )
    assert "3 participants instead of 7" in overload.remedies[0]


def test_what_is_late_names_what_takes_most():
    late = finding_of(forecast_of(*BROKEN["resends that take too long"][0]), "odom")
    assert late.severity is Severity.HURTS
    assert "resends" in late.says
    assert "watchdog" in late.effect


def test_a_slow_loop_comes_with_speed_and_caution():
    slow = finding_of(forecast_of(*BROKEN["faster than the loop reacts"][0]), "odom")
    assert slow.subject == "avoid"
    assert "cart drives up to 3 m/s" in slow.says
    assert "risk assessment" in slow.effect


def test_notes_are_no_faults():
    crowded = forecast_of(("size: 12 kB, rate: 5 Hz", "size: 200 kB, rate: 16 Hz"))
    assert {f.code for f in crowded.findings} == {"link-full", "unreachable-locator"}
    assert all(f.severity is Severity.NOTE for f in crowded.findings)
    assert not crowded.has_findings
    ports = forecast_of(FAST, ("site: nursery", "site: nursery\ndomain: 150"))
    taken = next(f for f in ports.findings if f.code == "participant-silent")
    assert "ip_local_port_range" in taken.says


def test_a_fifth_participant_is_beyond_what_fast_dds_tries():
    rest = "{machine: brain, middleware: fast, discovery: {peers: [10.0.1.2]}}"
    four = "".join(f"  aux{n}: {rest}\n" for n in range(4))
    pilot = "  pilot: {machine: brain, middleware: fast"
    made = forecast_of(
        FAST,
        (pilot, f"{four}{pilot}, discovery: {{peers: [10.0.1.2]}}"),
        peers(DRIVER.replace("cyclone", "fast"), "10.0.1.1"),
        peers(PANEL.replace("cyclone", "fast"), "10.0.2.1"),
    )
    assert causes(made)["picture"] == "index-beyond-reach"
    assert "participant 5 of brain" in finding_of(made, "picture").says


def test_what_the_site_joins_to_nothing_is_unseen():
    made = forecast_of(
        (", desk.wlan0]", ", lamp.wlan0]"),
        ("wlan0: 10.0.2.9/24", ""),
        ("links:", "  lamp: {interfaces: {wlan0: 10.0.2.8/24}}\nlinks:"),
    )
    climb = climb_of(made, "picture")
    assert climb.cause is None
    assert climb.states[0] is State.UNSEEN


def test_one_fault_of_several_flows_is_one_finding():
    made = forecast_of(("10.0.1.2/24", "10.9.1.2/24"))
    faults = [f for f in made.findings if f.severity is not Severity.NOTE]
    assert [f.code for f in faults] == ["no-route"]
    assert made.flows_of(0) == ("odom driver -> pilot", "drive pilot -> driver")
    assert [c.broken_at for c in made.ladder.climbs] == [Rung.PATH, Rung.PATH, None]
