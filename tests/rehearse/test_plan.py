"""From a site to what runs: endpoints, libraries, discovery, routes."""

from __future__ import annotations

import json
from importlib.resources import files

import pytest

from toprung.errors import UsageError
from toprung.model.site_file import load_site
from toprung.rehearse.plan import DEFAULT_RATE, DEFAULT_SIZE, LAYOUT, ServerSpec, plan_of
from toprung.rehearse.specs import EndpointSpec, PeerSpec

FERNHOUSE = (files("toprung.examples") / "fernhouse" / "site.yaml").read_bytes()

ROUTED = """
site: fernhouse
naming: prefixed
machines:
  base: {interfaces: {usb0: 10.77.1.2/24}, budget: {messages: 80 Hz}}
  brain: {interfaces: {usb0: 10.77.1.1/24, wlan0: {address: 10.77.2.21/24, mtu: 1400 B}}, forwards: [unicast]}
  desk: {interfaces: {wlan0: 10.77.2.40/24}}
links:
  cable: {kind: usb, joins: [base.usb0, brain.usb0], rate: 200 Mbit/s, delay: 0.3 ms}
  air: {kind: wifi, joins: [brain.wlan0, desk.wlan0], standard: ac, rate: 65 Mbit/s, multicast_rate: 6 Mbit/s,
        access_point: true, loss: 1 %}
participants:
  driver: {machine: base}
  pilot: {machine: brain, interfaces: [usb0, wlan0]}
  panel: {machine: desk, discovery: {peers: [10.77.2.21]}}
topics:
  cart1/odom: {from: driver, to: [pilot, panel], rate: 50 Hz,
               qos: {offered: {reliability: best_effort, deadline: 40 ms,
                               history: {kind: keep_last, depth: 3}}}}
  cart1/beds: {type: cart::Beds, from: pilot, to: panel, qos: {durability: transient_local}}
  cart1/odd-name: {from: pilot, to: panel}
services:
  cart1/dock: {type: cart::Dock, from: panel, to: driver}
"""


def site(text):
    return load_site(text, "site.yaml")


def topics(endpoints):
    return [e.topic for e in endpoints]


def test_fernhouse_becomes_what_it_declares():
    plan = plan_of(site(FERNHOUSE), seconds=9.0)
    assert {n: p.middleware for n, p in plan.peers.items()} == {
        "driver": "cyclone",
        "pilot": "cyclone",
        "eye": "cyclone",
        "panel": "fast",
    }
    assert {p.domain for p in plan.peers.values()} == {7}
    odom = plan.peers["driver"].writers[0]
    assert odom == EndpointSpec(
        "cart1/odom", "cart::Odometry", LAYOUT, 720, rate=50.0, qos={"reliability": "reliable"}
    )
    beds = next(w for w in plan.peers["pilot"].writers if w.topic == "cart1/bed_map")
    assert (beds.rate, beds.count) == (None, 1)
    assert topics(plan.peers["panel"].readers) == ["cart1/scan", "cart1/picture", "cart1/bed_map"]


def test_links_and_machines_carry_what_is_declared():
    plan = plan_of(site(ROUTED), seconds=9.0)
    air, cable = plan.links["air"], plan.links["cable"]
    assert (air.rate_bps, air.multicast_rate_bps, air.access_point, air.loss) == (65e6, 6e6, True, 0.01)
    assert (cable.delay_s, cable.kind) == (pytest.approx(0.0003), "usb")
    assert plan.machines["brain"].mtus == {"wlan0": 1400}
    assert plan.machines["base"].slowed == 80
    assert plan.machines["brain"].forwards == ("unicast",)


def test_routes_lead_through_forwarding_machines_only():
    plan = plan_of(site(ROUTED), seconds=9.0)
    assert plan.machines["base"].routes == [("10.77.2.0/24", "10.77.1.1")]
    assert plan.machines["desk"].routes == [("10.77.1.0/24", "10.77.2.21")]
    assert plan.machines["brain"].routes == []
    stuck = plan_of(site(ROUTED.replace(", forwards: [unicast]", "")), seconds=9.0)
    assert all(m.routes == [] for m in stuck.machines.values())


def test_one_endpoint_a_topic_however_many_readers():
    driver = plan_of(site(ROUTED), seconds=9.0).peers["driver"]
    assert topics(driver.writers) == ["rt/cart1/odom", "rr/cart1/dockReply"]
    assert topics(driver.readers) == ["rq/cart1/dockRequest"]


def test_each_side_has_its_own_qos():
    plan = plan_of(site(ROUTED), seconds=9.0)
    assert plan.peers["driver"].writers[0].qos == {"reliability": "best_effort", "deadline": 0.04, "depth": 3}
    assert plan.peers["pilot"].readers[0].qos == {"reliability": "best_effort"}


def test_what_is_left_out_gets_a_plain_value():
    plan = plan_of(site(ROUTED), seconds=9.0)
    odd = plan.peers["pilot"].writers[1]
    assert (odd.type, odd.size, odd.rate) == ("rehearsed::RtCart1OddName", DEFAULT_SIZE, DEFAULT_RATE)


def test_declared_discovery_and_interfaces_are_kept():
    plan = plan_of(site(ROUTED), seconds=9.0)
    assert (plan.peers["panel"].mode, plan.peers["panel"].peers) == ("peers", ["10.77.2.21"])
    assert plan.peers["pilot"].interfaces == ["usb0", "wlan0"]


def test_one_library_for_all():
    assert {p.middleware for p in plan_of(site(ROUTED), seconds=1, peers="fast").peers.values()} == {"fast"}


SERVED = ROUTED.replace("{peers: [10.77.2.21]}", "{server: '10.77.2.21:11811'}")


def test_a_server_runs_where_it_is_asked():
    plan = plan_of(site(SERVED), seconds=9.0)
    assert plan.servers == [ServerSpec("brain", ("10.77.2.21",), 11811)]
    assert (plan.peers["panel"].middleware, plan.peers["panel"].server) == ("fast", "10.77.2.21:11811")


@pytest.mark.parametrize(
    ("text", "peers", "says"),
    [
        (SERVED, "cyclone", "no central discovery server"),
        (SERVED.replace("10.77.2.21:11811", "10.77.2.99:11811"), "fast", "no machine has"),
    ],
)
def test_what_cannot_run_is_one_error(text, peers, says):
    with pytest.raises(UsageError, match=says):
        plan_of(site(text), seconds=9.0, peers=peers)


def test_a_spec_says_to_the_peers_only_what_is_set():
    peer = PeerSpec("driver", "base", "fast", writers=[EndpointSpec("odom", "T", "L", 4, rate=5.0)])
    said = peer.as_json(30.0)
    assert json.loads(json.dumps(said)) == {
        "name": "driver",
        "machine": "base",
        "middleware": "fast",
        "domain": 0,
        "mode": "multicast",
        "seconds": 30.0,
        "writers": [{"topic": "odom", "type": "T", "layout": "L", "size": 4, "rate": 5.0, "qos": {}}],
        "readers": [],
    }


@pytest.mark.parametrize(
    ("said", "taken"), [("", True), ("access_point: true,", True), ("access_point: false,", False)]
)
def test_air_has_an_access_point_unless_it_is_denied_as_forecasts_take_it(said, taken):
    site = load_site(ROUTED.replace("access_point: true,", said), "site.yaml")
    links = plan_of(site, seconds=5).links
    assert links["air"].access_point is taken
    assert links["cable"].access_point is False


def test_a_server_asked_by_two_of_its_addresses_is_one():
    site = load_site("""
site: fernhouse
machines:
  brain: {interfaces: {usb0: 10.77.1.1/24, wlan0: 10.77.2.21/24}}
  base: {interfaces: {usb0: 10.77.1.2/24}}
  desk: {interfaces: {wlan0: 10.77.2.40/24}}
participants:
  driver: {machine: base, middleware: fast, discovery: {server: "10.77.1.1:11811"}}
  panel: {machine: desk, middleware: fast, discovery: {server: "10.77.2.21:11811"}}
topics:
  cart1/odom: {from: driver, to: panel, rate: 10 Hz}
""")
    plan = plan_of(site, seconds=5, peers="as-declared")
    assert plan.servers == [ServerSpec("brain", ("10.77.1.1", "10.77.2.21"), 11811)]
