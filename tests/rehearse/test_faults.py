"""The vocabulary of faults: its words, what each changes, and what it breaks."""

from __future__ import annotations

import pickle
from importlib.resources import files

import pytest

from toprung.errors import UsageError
from toprung.model.causes import CAUSES
from toprung.model.ladder import Flow
from toprung.model.qos import (
    AccessScope,
    DestinationOrder,
    Durability,
    Liveliness,
    Ownership,
    Qos,
    Reliability,
    conflicts,
)
from toprung.model.site_file import load_site
from toprung.rehearse.faults import fault_help, parse_fault
from toprung.rehearse.kinds import KINDS
from toprung.rehearse.kinds.kind import Subject
from toprung.rehearse.kinds.matched import POLICIES
from toprung.rehearse.kinds.places import ways
from toprung.rehearse.plan import plan_of
from toprung.rehearse.specs import Carrier, Claim, End, Event, Lapse, Rule, ServerSpec

SITE = load_site((files("toprung.examples") / "fernhouse" / "site.yaml").read_bytes(), "site.yaml")
ROUTED = load_site(
    (files("toprung.examples") / "fernhouse" / "site.yaml")
    .read_text()
    .replace("brain: {role: companion,", "brain: {role: companion, forwards: [unicast, multicast],")
    .replace(
        "to: pilot\n    qos: {reliability: reliable}\n    within",
        "to: [pilot, panel]\n    qos: {reliability: reliable}\n    within",
    ),
    "site.yaml",
)
SERVED = load_site(
    (files("toprung.examples") / "fernhouse" / "site.yaml")
    .read_text()
    .replace("middleware: cyclone}", "middleware: fast}")
    .replace("middleware: fast}", "middleware: fast, discovery: {server: '10.77.2.21:11811'}}"),
    "site.yaml",
)
VALUES = {"lacks": "brain", "interface": "usb0", "of": "panel"}
SUBJECTS = {
    Subject.WHO: "panel",
    Subject.PARTICIPANT: "pilot",
    Subject.MACHINE: "desk",
    Subject.LINK: "air",
    Subject.LINK_END: "air/desk",
    Subject.ON_LINK: "air/desk",
    Subject.PLACE: "air/desk",
    Subject.TOPIC: "cart1/scan",
    Subject.SITE: "all",
}
DESK = {"cart1/scan", "cart1/picture", "cart1/bed_map", "cart1/goal"}
BASE = {"cart1/odom", "cart1/battery", "cart1/drive"}
# one that has the wanted effect where the usual subject has none
SPECIAL = {
    "wrong-interface": "brain,interface=usb0",
    "domain-tag": "driver",
    "type-changed": "cart1/odom",
    "slow-writer": "cart1/odom",
    "late-reader": "cart1/bed_map",
    "clock-shifted": "base",
    "delayed": "cable",
    "bursts": "cable",
    "slowed": "base",
    "resend-storm": "cart1/picture",
    "server-down": "all",
    "server-port": "panel",
    "unreachable-address": "panel",
    "memory-split": "pilot",
}


def words_of(code):
    kind = KINDS[code]
    if code in SPECIAL:
        return f"{code}:{SPECIAL[code]}"
    needed = "".join(f",{k.name}={VALUES[k.name]}" for k in kind.keys if k.needed)
    return f"{code}:{SUBJECTS[kind.subject]}{needed}"


def site_for(code):
    return {"ttl": ROUTED, "server-down": SERVED, "server-port": SERVED}.get(code, SITE)


def applied(words, site=SITE, peers="as-declared"):
    plan = plan_of(site, seconds=9.0, peers=peers)
    fault = parse_fault(words, site)
    fault.apply(plan)
    return plan, fault


def topics(flows):
    return {f.topic for f in flows}


@pytest.mark.parametrize("code", KINDS)
def test_every_kind_changes_the_plan_and_leaves_the_site(code):
    site = site_for(code)
    peers = KINDS[code].library or "as-declared"
    before = pickle.dumps(site)
    plan, fault = applied(words_of(code), site, peers)
    assert plan != plan_of(site, seconds=9.0, peers=peers)
    assert pickle.dumps(site) == before
    truth = fault.expects()
    assert not set(truth.broken) & set(truth.touched)
    assert set(truth.broken) | set(truth.touched) <= {f.flow for f in site.flows()}
    assert set(truth.causes) <= set(CAUSES)
    assert {CAUSES[c][0] for c in truth.causes} == set(truth.rungs)


@pytest.mark.parametrize("code", [c for c in KINDS if c != "memory-split"])
def test_every_kind_breaks_something_somewhere(code):
    fault = parse_fault(words_of(code), site_for(code))
    assert fault.expects().broken


@pytest.mark.parametrize("code", KINDS)
def test_help_tells_every_kind(code):
    assert f"  {code}:{KINDS[code].subject.value}" in fault_help()
    assert max(map(len, fault_help().split("\n"))) <= 100


# what stands in CAUSES and no fault makes
NOT_MADE = {"security-mismatch", "loop-too-slow"}


def test_every_cause_has_a_fault():
    assert {c for kind in KINDS.values() for c in kind.causes} == set(CAUSES) - NOT_MADE


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("wrong-domian:desk", "wrong-domain"),
        ("nothing", "there is no fault"),
        ("wrong-domain:desc", "desk"),
        ("wrong-domain", "a PARTICIPANT.MACHINE is needed"),
        ("wrong-domain:desk,domain=x", "no whole number"),
        ("wrong-domain:desk,colour=3", "domain="),
        ("wrong-domain:desk@4", "from the start"),
        ("left:driver@soon", "no time"),
        ("left:driver@-1", "no time"),
        ("peer-missing:desk", "needs lacks="),
        ("delayed:air,by=450", "450 ms"),
        ("random-loss:air,share=2", "no unit"),
        ("one-way:air", "is no LINK/MACHINE"),
        ("one-way:air/desk,way=round", "none of them"),
        ("foreign-subnet:desk,address=north", "address"),
        ("unreachable-address:desk,address=north", "no address"),
        ("silent-writer:cart1/odometry", "cart1/odom"),
    ],
)
def test_bad_words_are_one_error(words, says):
    with pytest.raises(UsageError, match=says) as caught:
        parse_fault(words, SITE)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(f"--fault {words}: ")


@pytest.mark.parametrize(
    ("words", "site", "peers", "says"),
    [
        ("domain-tag:panel", SITE, "as-declared", "only Cyclone DDS"),
        ("memory-split:pilot", SITE, "as-declared", "only Fast DDS"),
        ("type-changed:cart1/scan", SITE, "as-declared", "panel runs Fast DDS"),
        ("server-down:all", SITE, "fast", "no discovery server"),
        ("server-port:panel", SITE, "fast", "uses no discovery server"),
        ("ttl:all", SITE, "fast", "no flow crosses a router"),
        ("wrong-interface:brain,interface=wlan7", SITE, "fast", "no interface"),
        ("peer-missing:desk,lacks=shed", SITE, "fast", "no machine"),
        ("cloned-identity:panel,of=nobody", SITE, "fast", "no participant"),
        ("cloned-address:base", SITE, "fast", "no link that others can join"),
        ("unreachable-address:pilot", SITE, "cyclone", "a single interface"),
        ("other-mode:driver,mode=server", SITE, "cyclone", "knows no server"),
        ("second-commander:cart1/drive,on=shed", SITE, "cyclone", "no machine"),
    ],
)
def test_what_cannot_be_made_is_one_error(words, site, peers, says):
    with pytest.raises(UsageError, match=says):
        applied(words, site, peers)


@pytest.mark.parametrize(
    ("words", "broken"),
    [
        ("wrong-domain:desk", DESK),
        ("wrong-domain:base,domain=9", BASE),
        ("wrong-domain:brain", DESK | BASE),
        ("wrong-domain:eye", {"cart1/picture"}),
        ("isolated:air", DESK),
        ("isolated:cable/base", BASE),
        ("multicast-dropped:air", DESK),
        ("multicast-dropped:air/desk,way=to", set()),
        ("multicast-dropped:desk", set()),
        ("ports-closed:desk", DESK),
        ("ports-closed:desk,first=7400,last=7500", set()),
        ("wrong-interface:brain,interface=usb0", DESK),
        ("wrong-interface:brain,interface=wlan0", BASE),
        ("peer-missing:desk,lacks=brain", DESK),
        ("peer-missing:desk,lacks=base", set()),
        ("never-started:eye", {"cart1/picture"}),
        ("fragments-dropped:air", {"cart1/scan", "cart1/picture"}),
        ("random-loss:air/desk,way=to", {"cart1/scan", "cart1/picture"}),
        ("random-loss:air/desk,share=1%", {"cart1/picture"}),
        ("delayed:cable", {"cart1/odom", "cart1/drive"}),
        ("delayed:cable,by=20ms", set()),
        ("clock-shifted:base,by=-2s", {"cart1/odom"}),
        ("cut:air/desk@3", {"cart1/scan", "cart1/picture", "cart1/goal"}),
        ("cut:air/desk,for=3s", {"cart1/scan", "cart1/picture"}),
        ("small-mtu:air/desk,above=3000B", {"cart1/picture", "cart1/bed_map"}),
        ("thin-link:air", {"cart1/picture"}),
    ],
)
def test_the_flows_that_break(words, broken):
    assert topics(parse_fault(words, SITE).expects().broken) == broken


def test_participants_of_one_machine_share_its_fault():
    assert parse_fault("loopback-only:brain", SITE).expects().broken == tuple(f.flow for f in SITE.flows())


def test_flows_beyond_a_router():
    truth = parse_fault("ttl:all", ROUTED).expects()
    assert truth.broken == (Flow("cart1/odom", "driver", "panel"),)


def test_ways_between_machines():
    assert [[h.link for h in way] for way in ways(ROUTED, "base", "desk")] == [["cable", "air"]]
    assert ways(SITE, "base", "desk") == []
    assert ways(SITE, "base", "base") == [[]]


def test_a_links_fault_is_bound_to_an_end_and_a_way():
    plan, _ = applied("one-way:air/desk,way=from")
    assert plan.links["air"].rules == [Rule(sender="desk", udp=True)]
    plan, _ = applied("isolated:air/desk@2.5")
    assert plan.links["air"].rules == []
    (event,) = plan.events
    assert event.at_s == 2.5
    assert event.what.rules == (Rule(receiver="desk"), Rule(sender="desk"))


def test_a_machines_fault_is_its_firewall():
    plan, _ = applied("multicast-dropped:desk")
    assert plan.links["air"].rules == []
    assert plan.machines["desk"].filters == ['iifname != "lo" ip daddr 224.0.0.0/4 drop']


def test_a_cut_ends():
    plan, _ = applied("cut:air/desk,for=2s@3")
    assert plan.events == [
        Event(3.0, Carrier("desk", "wlan0", up=False)),
        Event(5.0, Carrier("desk", "wlan0", up=True)),
    ]


def test_a_clone_joins_the_air_and_claims_the_address():
    plan, _ = applied("cloned-address:desk@1")
    twin = plan.machines["desk-twin"]
    assert twin.interfaces == {"wlan0": ["10.77.2.40/24"]}
    assert ("desk-twin", "wlan0") in plan.links["air"].joins
    assert plan.events == [Event(1.0, Claim("desk-twin", "wlan0", "10.77.2.40"))]
    assert not twin.captured


def test_lists_of_peers_lack_each_other():
    plan, _ = applied("peer-missing:desk,lacks=brain")
    brain = {"10.77.1.1", "10.77.2.21"}
    assert {p.mode for p in plan.peers.values()} == {"peers"}
    assert not brain & set(plan.peers["panel"].peers)
    assert "10.77.2.40" not in plan.peers["pilot"].peers
    assert brain <= set(plan.peers["driver"].peers)


def test_server_faults():
    plan, _ = applied("server-port:panel", SERVED, "fast")
    assert plan.peers["panel"].server == "10.77.2.21:11911"
    assert plan.servers == [ServerSpec("brain", ("10.77.2.21",), 11811)]
    plan, _ = applied("server-down", SERVED, "fast")
    assert plan.servers == []


def test_lives_end_and_lapse():
    plan, _ = applied("killed:driver@6")
    assert plan.events == [Event(6.0, End("driver", goodbye=False))]
    plan, _ = applied("slowed:brain,stopped=900ms,running=100ms@1")
    assert plan.events == [Event(1.0, Lapse(n, 0.9, 0.1)) for n in ("pilot", "eye")]


def test_a_second_commander_writes_what_the_first_one_does():
    plan, _ = applied("second-commander:cart1/drive,on=desk,name=pad,library=fast")
    pad = plan.peers["pad"]
    assert (pad.machine, pad.middleware, pad.domain) == ("desk", "fast", 7)
    assert pad.writers == [w for w in plan.peers["pilot"].writers if w.topic == "cart1/drive"]
    assert pad.writers[0] is not plan.peers["pilot"].writers[0]


def test_renaming_is_a_slip_or_the_wanted_name():
    plan, _ = applied("topic-renamed:cart1/scan")
    assert "cart1/Scan" in [r.topic for r in plan.peers["panel"].readers]
    plan, _ = applied("topic-renamed:cart1/scan,to=scan,end=writer")
    assert "scan" in [w.topic for w in plan.peers["pilot"].writers]
    plan, _ = applied("type-renamed:cart1/scan")
    assert "cart_v1::Scan" in [r.type for r in plan.peers["panel"].readers]


WORDS = {  # the peers' words -> Qos fields
    "reliability": lambda v: {"reliability": Reliability[v.upper()]},
    "durability": lambda v: {"durability": Durability[v.upper()]},
    "deadline": lambda v: {"deadline_ns": int(v * 1e9)},
    "latency_budget": lambda v: {"latency_budget_ns": int(v * 1e9)},
    "liveliness": lambda v: {"liveliness": Liveliness[v.upper()]},
    "liveliness_lease": lambda v: {"liveliness_lease_ns": int(v * 1e9)},
    "ownership": lambda v: {"ownership": Ownership[v.upper()]},
    "destination_order": lambda v: {"destination_order": DestinationOrder[v.upper()]},
    "access_scope": lambda v: {"access_scope": AccessScope[v.upper()]},
    "ordered": lambda v: {"ordered_access": v},
    "representation": lambda v: {"representation": tuple({"xcdr1": 0, "xcdr2": 2}[r] for r in v)},
}


@pytest.mark.parametrize("policy", [p for p in POLICIES if p != "partition"])
def test_each_mismatch_is_one_by_the_standards_rule(policy):
    """DDS 1.4, 2.2.3, as `toprung.model.qos` has it."""
    cause, offered, requested = POLICIES[policy]

    def qos(words):
        fields = {}
        for word, value in words.items():
            fields |= WORDS[word](value)
        return Qos(**fields)

    assert [c.code for c in conflicts(qos(offered), qos(requested))] == [cause]
    assert conflicts(qos(requested), qos(offered)) == () or policy in ("ownership", "representation")


def test_sizes_are_whole_numbers():
    """A peer fills its samples with so many characters."""
    plan, _ = applied("resend-storm:cart1/picture,size=20kB")
    (writer,) = plan.peers["eye"].writers
    assert (writer.size, type(writer.size)) == (20_000, int)


def test_lapse_times_are_the_faults():
    plan, _ = applied("lapsing:driver,lease=1s,stopped=3s,running=1s@2")
    assert plan.peers["driver"].lease == 1.0
    assert plan.events == [Event(2.0, Lapse("driver", 3.0, 1.0))]
