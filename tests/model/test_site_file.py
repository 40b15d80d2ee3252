"""Site files: what is read, and every fault with its line."""

import json
from ipaddress import ip_interface
from pathlib import Path

import jsonschema
import pytest
import yaml

from toprung.errors import SiteError
from toprung.model.qos import INFINITE, Durability, Liveliness, Ownership, Reliability, Representation
from toprung.model.site import Discovery, DiscoveryMode, LinkKind, Middleware, Naming, Pass, Role, Standard
from toprung.model.site_file import load_site
from toprung.model.site_schema import json_schema

FERNHOUSE = """
site: fernhouse
domain: 7
machines:
  base:
    role: base
    interfaces: {usb0: 10.77.1.2/24}
    budget: {participants: 12, endpoints: 160, messages: 250 Hz}
  brain:
    role: companion
    interfaces: {usb0: 10.77.1.1/24, wlan0: {address: [10.77.2.21/24, "fd00::21/64"], mtu: 1500 B}}
    forwards: [unicast, multicast]
  desk: {role: station, interfaces: {wlan0: 10.77.2.40/24}}
  lamp: {}
links:
  cable: {kind: usb, joins: [base.usb0, brain.usb0], rate: 200 Mbit/s, delay: 0.3 ms}
  air:
    kind: wifi
    joins: [brain.wlan0, desk.wlan0]
    standard: n
    rate: 65 Mbit/s
    multicast_rate: 6 Mbit/s
    access_point: true
    loss: 1 %
participants:
  driver: {machine: base, middleware: cyclone}
  pilot: {machine: brain, interfaces: [usb0, wlan0], discovery: multicast}
  panel: {machine: desk, discovery: {peers: [10.77.2.21]}}
  lantern: {machine: lamp, discovery: {server: 10.77.2.21:11811}}
topics:
  cart1/odom:
    type: cart::Odometry
    size: 720 B
    rate: 50 Hz
    from: driver
    to: [pilot, panel]
    qos: {reliability: best_effort}
    within: 40 ms
    loss: 2 %
  cart1/drive: {type: cart::Drive, rate: 20 Hz, from: pilot, to: driver, within: 30 ms, exclusive: true}
  cart1/scan: {from: driver, to: pilot}
services:
  cart1/dock: {type: cart::Dock, from: pilot, to: driver}
actions:
  cart1/tour: {type: cart::Tour, from: panel, to: pilot}
loops:
  avoid:
    through: [cart1/scan, cart1/drive]
    work: {pilot: 25 ms}
    sense: {topic: cart1/scan, range: 6 m}
    vehicle: cart
vehicles:
  cart: {top_speed: 0.45 m/s, braking: 0.8 m/s^2, margin: 0.10 m, watchdog: 500 ms, track: 0.30 m}
power:
  cart: {capacity: 60 Wh, loads: {drive: 14 W, compute: 9 W}, reserve: 20 %, dock_power: 30 W,
    peukert: 1.1, rated: 5 h, farthest: 60 m, speed: 0.3 m/s}
fleets:
  cart: {copies: 1, of: [base, brain]}
"""

CAPTURES = Path(__file__).parents[3] / "shared" / "captures"


def test_machines_and_links_are_read_into_base_units():
    site = load_site(FERNHOUSE)
    assert (site.name, site.domain, site.naming) == ("fernhouse", 7, Naming.PLAIN)
    base, brain, desk, lamp = site.machines
    assert (base.role, base.budget.participants, base.budget.messages_hz) == (Role.BASE, 12, 250.0)
    assert brain.interfaces[1].addresses == (ip_interface("10.77.2.21/24"), ip_interface("fd00::21/64"))
    assert brain.interfaces[1].hosts == ("10.77.2.21", "fd00::21")
    assert brain.interfaces[1].mtu_bytes == 1500
    assert brain.forwards == {Pass.UNICAST, Pass.MULTICAST}
    assert desk.hosts == {"10.77.2.40"}
    assert (lamp.role, lamp.interfaces, lamp.budget) == (None, (), None)
    cable, air = site.links
    assert (cable.kind, cable.rate_bps, cable.delay_ns) == (LinkKind.USB, 200e6, 300_000)
    assert (air.standard, air.multicast_rate_bps, air.access_point, air.loss) == (Standard.N, 6e6, True, 0.01)
    assert [str(j) for j in air.joins] == ["brain.wlan0", "desk.wlan0"]
    assert site.machine_at("fd00::21") is brain
    assert [link.name for link in site.links_of("brain")] == ["cable", "air"]


def test_participants_say_how_they_discover():
    site = load_site(FERNHOUSE)
    driver, pilot, panel, lantern = site.participants
    assert (driver.middleware, driver.discovery, driver.interfaces) == (Middleware.CYCLONE, None, None)
    assert pilot.discovery == Discovery(DiscoveryMode.MULTICAST)
    assert pilot.interfaces == ("usb0", "wlan0")
    assert panel.discovery == Discovery(DiscoveryMode.PEERS, peers=("10.77.2.21",))
    assert lantern.discovery == Discovery(DiscoveryMode.SERVER, server=("10.77.2.21", 11811))
    with pytest.raises(KeyError):
        site.participant("nobody")


def test_what_is_left_out_is_unknown():
    scan = load_site(FERNHOUSE).topics[2]
    assert (scan.type_name, scan.size_bytes, scan.rate_hz, scan.within_ns, scan.loss) == (None,) * 5
    assert scan.offered.policies == scan.requested.policies == frozenset()
    assert scan.offered.qos.reliability is Reliability.RELIABLE  # DDS 1.4, 2.2.3: a writer's default
    assert scan.requested.qos.reliability is Reliability.BEST_EFFORT


def test_loops_vehicles_and_power_are_read():
    site = load_site(FERNHOUSE)
    (loop,) = site.loops
    assert (loop.through, loop.work[0].time_ns) == (("cart1/scan", "cart1/drive"), 25_000_000)
    assert (loop.sense.topic, loop.sense.range_m, loop.vehicle) == ("cart1/scan", 6.0, "cart")
    (cart,) = site.vehicles
    assert (cart.top_speed_m_per_s, cart.braking_m_per_s2, cart.watchdog_ns) == (0.45, 0.8, 500_000_000)
    assert cart.wheel_diameter_m is None
    (power,) = site.power
    assert (power.capacity_wh, power.reserve, power.dock_power_w) == (60.0, 0.2, 30.0)
    assert (power.peukert, power.rated_ns) == (1.1, 18_000_000_000_000)
    assert (power.farthest_m, power.speed_m_per_s) == (60.0, 0.3)
    assert {load.name: load.power_w for load in power.loads} == {"drive": 14.0, "compute": 9.0}
    assert site.fleets[0].copies == (("base", "brain"),)


QOS = """
site: s
machines: {m: {}}
participants: {a: {machine: m}, b: {machine: m}}
topics:
  t:
    from: a
    to: b
    qos:
      durability: transient_local
      deadline: 100 ms
      liveliness: {kind: manual_by_topic, lease: 2 s}
      ownership: {kind: exclusive, strength: 5}
      presentation: {scope: group, ordered: true}
      partition: bay1
      history: {kind: keep_last, depth: 5}
      resource_limits: {samples: 40}
      data_representation: [xcdr2, xcdr1]
      offered: {reliability: reliable, latency_budget: 1 ms}
      requested: {reliability: best_effort, deadline: infinite, lifespan: 3 s}
"""


def test_qos_of_both_sides_and_of_each():
    (topic,) = load_site(QOS).topics
    offered, requested = topic.offered.qos, topic.requested.qos
    for side in (offered, requested):
        assert side.durability is Durability.TRANSIENT_LOCAL
        assert (side.liveliness, side.liveliness_lease_ns) == (Liveliness.MANUAL_BY_TOPIC, 2_000_000_000)
        assert (side.ownership, side.ownership_strength) == (Ownership.EXCLUSIVE, 5)
        assert (side.access_scope.name, side.coherent_access, side.ordered_access) == ("GROUP", False, True)
        assert (side.partition, side.history_depth, side.max_samples) == (("bay1",), 5, 40)
        assert side.representation == (Representation.XCDR2, Representation.XCDR1)
    assert (offered.reliability, requested.reliability) == (Reliability.RELIABLE, Reliability.BEST_EFFORT)
    assert (offered.deadline_ns, requested.deadline_ns) == (100_000_000, INFINITE)
    assert (offered.latency_budget_ns, requested.lifespan_ns) == (1_000_000, 3_000_000_000)
    assert "latency_budget" in topic.offered.policies
    assert "latency_budget" not in topic.requested.policies


def test_flows_are_one_for_each_writer_and_reader():
    flows = load_site(FERNHOUSE).flows()
    odom = [str(f.flow) for f in flows if f.topic == "cart1/odom"]
    assert odom == ["cart1/odom driver -> pilot", "cart1/odom driver -> panel"]
    assert (flows[0].rate_hz, flows[0].size_bytes, flows[0].within_ns, flows[0].loss) == (
        50.0,
        720,
        40_000_000,
        0.02,
    )
    assert [f.exclusive for f in flows[:3]] == [False, False, True]


def test_services_and_actions_become_flows_both_ways():
    flows = [str(f.flow) for f in load_site(FERNHOUSE).flows()][4:]
    assert flows == [
        "cart1/dock/request pilot -> driver",
        "cart1/dock/reply driver -> pilot",
        "cart1/tour/goal/request panel -> pilot",
        "cart1/tour/goal/reply pilot -> panel",
        "cart1/tour/cancel/request panel -> pilot",
        "cart1/tour/cancel/reply pilot -> panel",
        "cart1/tour/result/request panel -> pilot",
        "cart1/tour/result/reply pilot -> panel",
        "cart1/tour/feedback pilot -> panel",
        "cart1/tour/status pilot -> panel",
    ]


def test_prefixed_names_on_the_wire():
    site = load_site(
        FERNHOUSE.replace("domain: 7", "naming: prefixed").replace("cart1/odom:", "/cart1/odom:")
    )
    wire = {f.topic: (f.wire_topic, f.type_name) for f in site.flows()}
    assert wire["/cart1/odom"] == ("rt/cart1/odom", "cart::dds_::Odometry_")
    assert wire["cart1/scan"] == ("rt/cart1/scan", None)
    assert wire["cart1/dock/request"] == ("rq/cart1/dockRequest", "cart::dds_::Dock_Request_")
    assert wire["cart1/dock/reply"] == ("rr/cart1/dockReply", "cart::dds_::Dock_Response_")
    goal = ("rq/cart1/tour/_action/send_goalRequest", "cart::dds_::Tour_SendGoal_Request_")
    assert wire["cart1/tour/goal/request"] == goal
    assert wire["cart1/tour/feedback"][0] == "rt/cart1/tour/_action/feedback"


def test_a_participant_is_no_flow_to_itself():
    site = load_site(
        "site: s\nmachines: {m: {}}\nparticipants: {a: {machine: m}, b: {machine: m}}\n"
        "topics: {t: {from: [a, b], to: [a, b]}}"
    )
    assert [(f.writer, f.reader) for f in site.flows()] == [("a", "b"), ("b", "a")]


@pytest.mark.parametrize("path", sorted(CAPTURES.glob("*/site.yaml")), ids=lambda p: p.parent.name)
def test_the_shared_sites_load_and_fit_the_schema(path):
    site = load_site(path.read_bytes(), str(path))
    truth = {c["id"]: c for c in json.loads((CAPTURES / "truth.json").read_text())}[path.parent.name]
    named = set(truth["broken"]) | set(truth["sound"])
    assert named <= {str(f.flow) for f in site.flows()}
    jsonschema.validate(yaml.safe_load(path.read_text()), json_schema())


def test_the_schema_accepts_and_refuses_what_the_reader_does():
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(yaml.safe_load(FERNHOUSE), schema)
    jsonschema.validate(yaml.safe_load(QOS), schema)
    for right, wrong in (
        ("rate: 50 Hz", "rate: 50"),
        ("role: base", "role: bases"),
        ("domain: 7", "domain: 300"),
        ("from: driver", "form: driver"),
    ):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(yaml.safe_load(FERNHOUSE.replace(right, wrong, 1)), schema)


@pytest.mark.parametrize("written", ["1500", "1500 B", "1.5 kB"])
def test_an_mtu_may_be_a_bare_number_of_bytes(written):
    text = f"site: s\nmachines: {{m: {{interfaces: {{e: {{address: 10.0.0.1/24, mtu: {written}}}}}}}}}\n"
    assert load_site(text).machines[0].interfaces[0].mtu_bytes == 1500


@pytest.mark.parametrize("written", ["0", "-1", "true", "15 m"])
def test_not_every_mtu_is_one(written):
    text = f"site: s\nmachines: {{m: {{interfaces: {{e: {{mtu: {written}}}}}}}}}\n"
    with pytest.raises(SiteError, match="mtu"):
        load_site(text)
