"""Probes between machines in network namespaces, against faults that the namespaces are given."""

from __future__ import annotations

import json
import re
import sys
import time
from pathlib import Path

import pytest
from lab import Lab, build_clock_shim, missing
from probing import DOMAIN, KEY, by_use, probed, serving

WHY = missing()
pytestmark = pytest.mark.skipif(bool(WHY), reason=f"LIVE TESTS DO NOT RUN: {WHY}")
UNMET = 50  # samples at 20 Hz until two libraries have met
HERE = Path(__file__).resolve().parent
RELAY = HERE / "relay.py"
NEAR, FAR = "10.77.1.1", "10.77.1.2"


@pytest.fixture
def lab(tmp_path):
    with Lab(tmp_path) as made:
        yield made


@pytest.fixture
def pair(lab):
    """brain and base on one cable."""
    brain, base = lab.machine("brain"), lab.machine("base")
    lab.cable(brain, "usb0", f"{NEAR}/24", base, "usb0", f"{FAR}/24")
    return brain, base


def counted(machine):
    """Packets that the counters of the machine's rules saw, in the rules' order."""
    return [int(n) for n in re.findall(r"counter packets (\d+)", machine.run("nft", "list", "ruleset"))]


def test_a_sound_cable_has_no_fault(lab, pair):
    brain, base = pair
    with serving(lab, base) as served:
        status, results, faults = probed(lab, brain, FAR, "--packets", "500")
        callers = served().callers
    assert (status, faults, results.remarks) == (0, [], ())
    for way in results.ways:
        assert {c.use for c in way.ports if c.arrived == c.sent == 5 and c.real} == {
            "discovery unicast",
            "user unicast",
            "discovery multicast",
            "user multicast",
        }
        assert (way.unfragmented.passed_bytes, way.unfragmented.lost_bytes) == (1472, None)
        assert (way.fragmented.passed_bytes, way.fragmented.lost_bytes) == (65507, None)
        assert way.train.loss == 0
    assert (results.near.name, results.far.name) == ("brain", "base")
    assert [(c.host, c.confirmed) for c in callers] == [(NEAR, True)]


def test_loss_of_20000_datagrams_is_the_injected_one(lab, pair):
    """The counters tell what chance really did: 3 % of 20,000 has a sigma of 24 packets."""
    brain, base = pair
    lose = "meta l4proto udp meta length 104 numgen random mod 1000 < {} counter drop"
    base.nft(lose.format(30))
    brain.nft(lose.format(10))
    with serving(lab, base):
        _, results, _ = probed(lab, brain, FAR, "--packets", "20000", "--rate", "2 kHz")
    ((there,), (back,)) = counted(base), counted(brain)
    assert 400 < there < 800
    assert 100 < back < 300
    trains = (results.there.train, results.back.train)
    for train, lost in zip(trains, (there, back), strict=True):
        assert train.loss == pytest.approx(lost / train.sent, abs=0.003)
    assert results.there.train.sent == 20000


@pytest.mark.parametrize("ahead_s", [0.25, -3.0])
def test_the_clocks_difference_is_the_injected_one(lab, pair, ahead_s):
    brain, base = pair
    build_clock_shim(lab.tools)
    base.clock_s = ahead_s
    with serving(lab, base):
        _, results, _ = probed(lab, brain, FAR, "--packets", "2500")
    assert results.clock.offset_s == pytest.approx(ahead_s, abs=0.001)
    assert results.clock.error_s < 0.001
    assert abs(results.clock.offset_s - ahead_s) <= results.clock.error_s + 50e-6  # the shim's own reading
    assert abs(results.clock.drift_ppm) < 50
    assert results.there.train.delay.p50 == pytest.approx(results.back.train.delay.p50, abs=0.001)


def routed(lab, mtu):
    """brain - hub - base, and the second cable's interfaces carry less."""
    brain, hub, base = (lab.machine(name) for name in ("brain", "hub", "base"))
    lab.cable(brain, "eth0", "10.77.4.1/24", hub, "eth0", "10.77.4.9/24")
    lab.cable(hub, "eth1", "10.77.5.9/24", base, "eth0", "10.77.5.2/24", mtu=mtu)
    hub.run("sysctl", "-qw", "net.ipv4.ip_forward=1")
    brain.run("ip", "route", "add", "default", "via", "10.77.4.9")
    base.run("ip", "route", "add", "default", "via", "10.77.5.9")
    return brain, hub, base


@pytest.mark.parametrize("mtu", [1280, 1411])
def test_the_narrowest_link_is_found_to_the_byte(lab, mtu):
    brain, hub, base = routed(lab, mtu)
    hub.nft("meta l4proto icmp drop", hook="output")  # nobody is told: a hole
    with serving(lab, base):
        status, results, faults = probed(lab, brain, "10.77.5.2", "--packets", "100")
    assert results.there.interface_mtu_bytes == 1500
    assert (results.there.unfragmented.passed_bytes, results.there.unfragmented.lost_bytes) == (
        mtu - 28,
        mtu - 27,
    )
    assert (results.back.interface_mtu_bytes, results.back.unfragmented.passed_bytes) == (mtu, mtu - 28)
    assert (status, faults[-1]) == (1, ("stops", "mtu-hole"))


def test_a_router_that_tells_its_mtu_is_no_fault(lab):
    brain, _, base = routed(lab, 1400)
    with serving(lab, base):
        _, results, faults = probed(lab, brain, "10.77.5.2", "--packets", "100")
    assert results.there.learned_mtu_bytes == 1400
    assert ("note", "mtu-hole") in faults


def test_blocked_fragments_are_found(lab, pair):
    brain, base = pair
    base.nft("ip frag-off & 0x3fff != 0 drop", family="ip", hook="prerouting")
    with serving(lab, base):
        status, results, faults = probed(lab, brain, FAR, "--packets", "100")
    assert results.there.unfragmented.passed_bytes == 1472
    assert (results.there.fragmented.passed_bytes, results.there.fragmented.lost_bytes) == (None, 1473)
    assert (status, faults) == (1, [("stops", "fragments-blocked")])


def test_blocked_multicast_is_found(lab, pair):
    brain, base = pair
    for machine in pair:
        machine.nft("ip daddr 239.0.0.0/8 drop")
    with serving(lab, base):
        status, results, faults = probed(lab, brain, FAR, "--packets", "100")
    assert (status, faults) == (1, [("stops", "multicast-blocked")])
    assert all(c.passes is not c.multicast for way in results.ways for c in way.ports)


def test_multicast_lost_one_way_is_a_note(lab, pair):
    brain, base = pair
    base.nft("ip daddr 239.0.0.0/8 drop")
    with serving(lab, base):
        status, results, faults = probed(lab, brain, FAR, "--packets", "100")
    assert (status, faults) == (0, [("note", "multicast-blocked")])
    assert not by_use(results.there)["discovery multicast"].passes
    assert by_use(results.back)["discovery multicast"].passes


def test_one_way_is_found_by_signs_of_life(lab, pair):
    """Nothing of brain arrives; base's signs of life say that base lives and hears nobody."""
    brain, base = pair
    base.nft(f"ip saddr {NEAR} drop")
    with serving(lab, base) as served:
        status, results, faults = probed(lab, brain, FAR)
        assert served().callers == ()
    assert (status, faults, results.answered) == (1, [("stops", "one-way")], False)


def test_one_way_is_found_without_multicast(lab, pair):
    brain, base = pair
    base.nft(f"ip saddr {NEAR} drop")
    brain.nft("ip daddr 239.0.0.0/8 drop")
    with serving(lab, base, "--towards", NEAR):
        status, _, faults = probed(lab, brain, FAR)
    assert (status, faults) == (1, [("stops", "one-way")])


def test_a_firewall_that_lets_only_answers_in_is_found(lab, pair):
    """It passes whatever looks like an answer; middleware's datagrams do not."""
    brain, base = pair
    brain.nft("ct state established accept", f"ip saddr {FAR} ip daddr {NEAR} meta l4proto udp drop")
    with serving(lab, base):
        status, results, faults = probed(lab, brain, FAR, "--packets", "100")
    assert (status, faults) == (1, [("stops", "unicast-blocked")])
    assert results.answered
    assert by_use(results.there)["user unicast"].passes
    assert not by_use(results.back)["user unicast"].passes
    assert results.back.train.loss == 0


def test_unicast_blocked_where_the_server_is_reached_by_multicast_only(lab, pair):
    brain, base = pair
    base.nft(f"ip saddr {NEAR} ip daddr {FAR} meta l4proto udp drop")
    with serving(lab, base):
        status, results, faults = probed(lab, brain, FAR)
    assert (status, faults) == (1, [("stops", "unicast-blocked")])
    assert results.answered
    assert results.there.train is None


def test_with_another_key_nobody_answers(lab, pair):
    brain, base = pair
    with serving(lab, base) as served:
        (lab.folder / "other.key").write_text("0" * 20)
        status, results, faults = probed(lab, brain, FAR, "--key-file", str(lab.folder / "other.key"))
        assert served().callers == ()
    assert (status, faults, results.answered) == (1, [], False)


def test_taken_ports_are_replaced_and_named(lab, pair):
    brain, base = pair
    hold = (
        "import socket, time\n"
        "held = [socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(42)]\n"
        "[s.bind(('', 9160 + n)) for n, s in enumerate(held[:40])]\n"
        "[s.bind(('', n)) for n, s in zip((9150, 9151), held[40:])]\n"
        "print('held', flush=True)\n"
        "time.sleep(60)\n"
    )
    holder = lab.start(brain, "python3", "-c", hold, log="hold.log")
    while "held" not in (lab.folder / "hold.log").read_text():
        assert holder.poll() is None, (lab.folder / "hold.log").read_text()
    with serving(lab, base):
        status, results, _ = probed(lab, brain, FAR, "--packets", "100")
    holder.kill()
    holder.wait()
    assert status == 0
    assert not any(c.real for c in results.back.ports)
    assert all(c.real and c.passes for c in results.there.ports)
    assert len(results.remarks) == 4


def test_nonsense_changed_requests_and_replays_get_silence(lab, pair):
    brain, base = pair
    with serving(lab, base) as served:
        attack = (sys.executable, str(HERE / "fuzz_probe.py"), KEY, FAR, "9160", "10000")
        assert lab.start(brain, *attack, log="fuzz.log").wait(60) == 0, (lab.folder / "fuzz.log").read_text()
        answered = json.loads((lab.folder / "fuzz.log").read_text())
        status, _, faults = probed(lab, brain, FAR, "--packets", "100")
        callers = served().callers
    assert {sort: n["came"] for sort, n in answered.items()} == {
        "first": 1,
        "random": 0,
        "changed": 0,
        "magic": 0,
        "replayed": 0,
        "other key": 0,
        "sound": 1,
    }
    assert answered["random"]["sent"] == answered["changed"]["sent"] == 10_000
    assert (status, faults) == (0, [])
    assert len(callers) == 2


SITE = """
site: fernhouse
domain: 7
machines:
  brain: {interfaces: {usb0: 10.77.1.1/24}}
  base: {interfaces: {usb0: 10.77.1.2/24}}
participants:
  pilot: {machine: brain, middleware: cyclone}
  driver: {machine: base, middleware: fast}
topics:
  cart1/drive: {size: 48 B, rate: 20 Hz, from: pilot, to: driver, within: 30 ms}
  cart1/map: {size: 90 kB, rate: 4 Hz, from: pilot, to: driver}
  cart1/odom: {size: 720 B, rate: 50 Hz, from: driver, to: pilot, within: 40 ms}
  cart1/image: {size: 60 kB, rate: 5 Hz, from: driver, to: pilot}
  cart1/film: {size: 9 MB, rate: 30 Hz, from: driver, to: pilot}
  cart1/word: {from: driver, to: pilot}
"""


def test_bursts_are_those_of_the_declared_flows(lab, pair):
    brain, base = pair
    base.nft("meta l4proto udp meta length > 9000 numgen random mod 10 < 1 counter drop")
    (lab.folder / "site.yaml").write_text(SITE)
    with serving(lab, base):
        options = ("--as", str(lab.folder / "site.yaml"), "--packets", "100", "--burst", "4 s")
        _, results, _ = probed(lab, brain, FAR, *options)
    there = {f.topic: f for f in results.there.flows}
    back = {f.topic: f for f in results.back.flows}
    assert {t: (f.samples, f.fragments) for t, f in there.items()} == {
        "cart1/drive": (80, 1),
        "cart1/map": (16, 7),  # 90,004 B in messages of 10 fragments of 1,344 B
    }
    assert {t: (f.samples, f.fragments) for t, f in back.items()} == {
        "cart1/odom": (200, 1),
        "cart1/image": (20, 1),
    }
    assert there["cart1/drive"].train.loss == 0
    assert there["cart1/drive"].whole == 80
    assert back["cart1/odom"].whole == 200
    assert there["cart1/map"].train.sent == 112
    assert 0 < there["cart1/map"].whole < 16  # 0.9^7 = 0.48 of them: none or all is one in 30,000
    assert there["cart1/drive"].train.delay.p50 < 0.03
    left_out = [r for r in results.remarks if r.startswith("not tried")]
    assert [words.split()[2] for words in left_out] == ["cart1/word", "cart1/film"]


def test_a_clock_that_the_flows_cannot_bear_is_named(lab, pair):
    brain, base = pair
    build_clock_shim(lab.tools)
    base.clock_s = 0.06
    (lab.folder / "site.yaml").write_text(SITE)
    with serving(lab, base):
        options = ("--as", str(lab.folder / "site.yaml"), "--packets", "200", "--burst", "1 s")
        status, results, faults = probed(lab, brain, FAR, *options)
    assert results.clock.offset_s == pytest.approx(0.06, abs=0.001)
    assert (status, faults) == (1, [("stops", "clock-offset")])


def test_running_participants_are_not_disturbed(lab, pair, tools):
    """They hold the domain's ports; the probe shares those of multicast and takes others for unicast."""
    lab.tools = tools
    shared = {"domain": DOMAIN, "seconds": 40.0}
    topic = {"topic": "t", "type": "T", "layout": "L", "size": 4, "qos": {"reliability": "reliable"}}
    for machine, library in zip(pair, ("cyclone", "fast"), strict=True):
        both = {"writers": [{**topic, "topic": library, "rate": 20}], "readers": []}
        other = "fast" if library == "cyclone" else "cyclone"
        both["readers"] = [{**topic, "topic": other}]
        lab.peer(machine, {"name": library, "middleware": library, **shared, **both})
    time.sleep(3)
    brain, base = pair
    with serving(lab, base):
        status, results, faults = probed(lab, brain, FAR, "--packets", "400")
    lab.stop_peers()
    assert (status, faults) == (0, [])
    assert all(c.real and c.arrived == 5 for way in results.ways for c in way.ports)
    cyclone, fast = (peer.counts() for peer in lab.peers)
    assert fast["received"]["cyclone"] >= cyclone["sent"]["cyclone"] - UNMET
    assert cyclone["received"]["fast"] >= fast["sent"]["fast"] - UNMET


def relayed(lab, mode, *words, same_subnet=True):
    """brain - relay - base: frames pass through a process."""
    brain, hub, base = (lab.machine(name) for name in ("brain", "hub", "base"))
    far = f"{FAR}/24" if same_subnet else "10.77.5.2/24"
    lab.cable(brain, "usb0", f"{NEAR}/24", hub, "in0", "10.77.1.9/24")
    lab.cable(hub, "out0", "10.77.5.9/24", base, "usb0", far)
    for machine in (brain, base, hub):
        for interface in machine.addresses:
            machine.run(sys.executable, str(RELAY), "checksums", interface)
    lab.others.append(lab.start(hub, sys.executable, str(RELAY), mode, "in0", "out0", *words))
    return brain, hub, base


def test_a_slow_way_is_no_blocked_one(lab):
    brain, hub, base = relayed(lab, "relay", "140", "0")
    hub.run("sysctl", "-qw", "net.ipv4.conf.all.arp_ignore=8")
    with serving(lab, base):
        status, results, faults = probed(lab, brain, FAR, "--packets", "400")
    assert (status, faults) == (0, [])
    for way in results.ways:
        assert all(c.arrived == 5 for c in way.ports)
        assert way.train.delay.p50 == pytest.approx(0.14, abs=0.03)
        assert way.unfragmented.passed_bytes == 1472
    assert results.round_trip.least == pytest.approx(0.28, abs=0.03)
    assert abs(results.clock.offset_s) <= results.clock.error_s


def test_multicast_through_a_router_has_hops_enough(lab):
    brain, hub, base = relayed(lab, "route", same_subnet=False)
    hub.run("sysctl", "-qw", "net.ipv4.ip_forward=1")
    brain.run("ip", "route", "add", "default", "via", "10.77.1.9")
    base.run("ip", "route", "add", "default", "via", "10.77.5.9")
    with serving(lab, base):
        status, results, faults = probed(lab, brain, "10.77.5.2", "--packets", "100")
    assert (status, faults) == (0, [])
    assert all(c.arrived == 5 for way in results.ways for c in way.ports)
