"""Traffic of links: who gets a copy, what it weighs, how busy the link is, what is lost and repeated."""

import json
from math import inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from toprung.forecast.airtime import access_us, beacon_share, burst_us, cell_of, multicast_us, waits_us
from toprung.forecast.reach import reach_of
from toprung.forecast.traffic import traffic_of
from toprung.model.ladder import Flow
from toprung.model.site_file import load_site

ETHERNET = {"kind": "ethernet", "rate": "100 Mbit/s"}
AIR = {
    "kind": "wifi",
    "standard": "a",
    "rate": "54 Mbit/s",
    "multicast_rate": "6 Mbit/s",
    "access_point": True,
}
BEST, RELIABLE = {"reliability": "best_effort"}, {"reliability": "reliable"}


def site(machines, participants, topics, **links):
    """machines: name -> letters of the nets it is on; participants: name -> (machine, library)."""
    nets = sorted({net for on in machines.values() for net in on})
    told = {
        "site": "test",
        "machines": {
            name: {"interfaces": {net: f"10.9.{nets.index(net)}.{number}/24" for net in on}}
            for number, (name, on) in enumerate(machines.items(), start=1)
        },
        "links": {
            f"net{net}": {
                **links.get(net, ETHERNET),
                "joins": [f"{name}.{net}" for name, on in machines.items() if net in on],
            }
            for net in nets
        },
        "participants": {
            name: {"machine": said[0], "middleware": said[1]} | (said[2] if len(said) > 2 else {})
            for name, said in participants.items()
        },
        "topics": topics,
    }
    return load_site(json.dumps(told))


def topic(size, rate, readers, qos=BEST, writer="talker"):
    return {"size": f"{size} B", "rate": f"{rate} Hz", "from": writer, "to": readers, "qos": qos}


def forecast(*args, **links):
    made = site(*args, **links)
    return traffic_of(made, reach_of(made))


def crowd(library, machines, readers, qos=BEST, size=100, rate=20, **links):
    """One writer on the first machine, its readers by name on machines."""
    people = {"talker": (next(iter(machines)), library)} | {r: (m, library) for r, m in readers.items()}
    return forecast(machines, people, {"one": topic(size, rate, list(readers), qos)}, **links)


def sent(traffic):
    """Packets a second on each link, rounded."""
    return {name: round(link.packets_per_s, 2) for name, link in traffic.links.items()}


# -- copies: what the libraries were seen to do (tests/live/data_check.py runs them again) ----------------


@pytest.mark.parametrize(
    ("library", "machines", "readers", "packets"),
    [
        ("cyclone", {"s": "a", "h": "a"}, {"r": "h"}, {"neta": 20}),
        (
            "cyclone",
            {"s": "a", "h": "a"},
            {"r": "h", "q": "h"},
            {"neta": 20},
        ),  # two of one machine: multicast
        ("cyclone", {"s": "a", "h": "a"}, {"r": "s", "q": "h"}, {"neta": 20}),  # one beside the writer: too
        ("cyclone", {"s": "a", "h": "a"}, {"r": "s", "q": "s"}, {"neta": 20}),  # even if nobody is away
        ("cyclone", {"s": "a", "h": "a"}, {"r": "s"}, {"neta": 0}),
        ("cyclone", {"s": "ab", "h": "a", "g": "b"}, {"r": "h", "q": "g"}, {"neta": 20, "netb": 20}),
        ("cyclone", {"s": "ab", "h": "ab"}, {"r": "h"}, {"neta": 20, "netb": 0}),  # one address of several
        ("cyclone", {"s": "ab", "h": "ab", "g": "ab"}, {"r": "h", "q": "g"}, {"neta": 0, "netb": 20}),
        (
            "cyclone",
            {"s": "ab", "h": "a", "g": "a", "k": "b"},
            {"r": "h", "q": "g", "p": "k"},
            {"neta": 20, "netb": 20},
        ),
        ("fast", {"s": "a", "h": "a"}, {"r": "h"}, {"neta": 20}),
        ("fast", {"s": "a", "h": "a"}, {"r": "h", "q": "h"}, {"neta": 40}),  # a copy to each participant
        ("fast", {"s": "a", "h": "a"}, {"r": "s", "q": "s"}, {"neta": 0}),  # shared memory
        ("fast", {"s": "a", "h": "a", "g": "a"}, {"r": "h", "q": "g"}, {"neta": 40}),
        (
            "fast",
            {"s": "ab", "h": "ab"},
            {"r": "h"},
            {"neta": 20, "netb": 20},
        ),  # and at each of its addresses
        (
            "fast",
            {"s": "a", "h": "ab", "k": "b"},
            {"r": "h"},
            {"neta": 20, "netb": 0},
        ),  # that the writer can reach
    ],
)
def test_copies(library, machines, readers, packets):
    assert sent(crowd(library, machines, readers)) == packets


def test_copies_where_multicast_is_not_allowed():
    peers = {"discovery": {"peers": ["10.9.0.1", "10.9.0.2", "10.9.0.3"]}}
    people = {n: (m, "cyclone", peers) for n, m in (("talker", "s"), ("r", "h"), ("q", "g"))}
    found = forecast({"s": "a", "h": "a", "g": "a"}, people, {"one": topic(100, 20, ["r", "q"])})
    assert sent(found) == {"neta": 40}


def test_copies_between_libraries():
    machines = {"s": "a", "h": "a", "g": "a"}
    qos = RELIABLE | {"data_representation": ["xcdr1"]}
    people = {"talker": ("s", "cyclone"), "r": ("h", "cyclone"), "q": ("g", "fast")}
    assert sent(forecast(machines, people, {"one": topic(100, 20, ["r", "q"], qos)})) == {"neta": 40}
    people = {
        "talker": ("s", "fast"),
        "r": ("h", "cyclone"),
        "q": ("g", "cyclone"),
    }  # they announce multicast
    found = forecast(machines, people, {"one": topic(100, 20, ["r", "q"], qos)})
    # 20 samples, 1/3 heartbeat alone, 4/3 answers of either reader
    assert sent(found)["neta"] == pytest.approx(20 + 1 / 3 + 2 * 4 / 3, abs=0.01)


# -- bytes ------------------------------------------------------------------------------------------------


def test_bytes_of_a_reliable_flow():
    # Cyclone, 100 B at 5 Hz: 20 RTPS + 12 INFO_TS + 24 DATA + 100 + 32 HEARTBEAT, answered by 64; 42 around
    found = crowd("cyclone", {"s": "a", "h": "a"}, {"r": "h"}, RELIABLE, rate=5).links["neta"]
    assert found.payload_bytes_per_s == 5 * (188 + 64)
    assert {str(x.sender): (x.bytes_per_s, x.packets_per_s) for x in found.loads} == {
        "s.a": (5 * (188 + 42), 5),
        "h.a": (5 * (64 + 42), 5),
    }
    # two readers of whom one is reliable: one answers
    people = {"talker": ("s", "cyclone"), "r": ("h", "cyclone"), "q": ("h", "cyclone")}
    mixed = {"offered": RELIABLE, "requested": BEST}
    assert sent(forecast({"s": "a", "h": "a"}, people, {"one": topic(100, 5, ["r", "q"], mixed)})) == {
        "neta": 5
    }


def test_bytes_of_fragments():
    # Fast DDS, 120,000 B best effort: RTPS messages of 65,468 and 54,820 bytes in 45 and 38 IP packets
    found = crowd("fast", {"s": "a", "h": "a"}, {"r": "h"}, size=120_000, rate=2).links["neta"]
    assert found.packets_per_s == 2 * (45 + 38)
    assert found.bytes_per_s == 2 * (65_468 + 54_820 + 2 * 8 + 83 * 34)


def test_what_is_not_declared_or_does_not_match_is_not_counted():
    people = {"talker": ("s", "cyclone"), "r": ("h", "cyclone")}
    topics = {
        "silent": {"from": "talker", "to": "r", "size": "100 B"},
        "apart": topic(100, 20, ["r"], {"offered": BEST, "requested": RELIABLE}),
    }
    found = forecast({"s": "a", "h": "a"}, people, topics)
    assert sent(found) == {"neta": 0}
    assert found.unknown == ("silent",)


# -- busy -------------------------------------------------------------------------------------------------


def test_a_busy_cable():
    # 1,472 B of UDP is a full frame: 1,538 bytes of 100 Mbit/s each (RFC 5180: 8,127 a second)
    full = crowd("cyclone", {"s": "a", "h": "a"}, {"r": "h"}, size=1472 - 56, rate=8127).links["neta"]
    assert full.busy == pytest.approx(1.0, rel=1e-3)
    assert full.headroom == pytest.approx(0.0, abs=1e-3)
    assert full.air_time is None
    assert full.says == "one takes 100 % of link neta"
    # each direction and each port of a switch has its own rate
    people = {"talker": ("s", "fast"), "r": ("h", "fast"), "q": ("g", "fast")}
    two = forecast({"s": "a", "h": "a", "g": "a"}, people, {"one": topic(1000, 1000, ["r", "q"])}).links[
        "neta"
    ]
    port = 8 * 1000 * (1000 + 116 + 28 + 38) / 100e6
    assert two.busy == pytest.approx(2 * port)
    back = {"one": topic(1000, 1000, ["r"]), "two": topic(1000, 1000, ["talker"], writer="r")}
    people = {"talker": ("s", "cyclone"), "r": ("h", "cyclone")}
    usb = ETHERNET | {"kind": "usb"}
    assert forecast({"s": "a", "h": "a"}, people, back, a=usb).links["neta"].busy == pytest.approx(
        2 * 8 * 1000 * (1000 + 56 + 28 + 42) / 100e6
    )


def test_a_link_without_a_rate():
    found = crowd("cyclone", {"s": "a", "h": "a"}, {"r": "h"}, a={"kind": "wifi"}).links["neta"]
    assert (found.busy, found.headroom, found.air_time, found.says) == (None, None, None, None)
    assert found.bytes_per_s == 20 * (100 + 56 + 42)


def test_air():
    # one sender, its access point: every packet twice, with silences; beacons; little to collide with
    made = site({"s": "a", "h": "a"}, {"talker": ("s", "cyclone"), "r": ("h", "cyclone")}, {}, a=AIR)
    cell = cell_of(made.links[0])
    found = crowd("cyclone", {"s": "a", "h": "a"}, {"r": "h"}, a=AIR).links["neta"]
    packet = 100 + 56 + 28
    assert found.air_time == pytest.approx(20e-6 * 2 * burst_us(cell, (packet,)) + beacon_share(cell))
    quiet = found.air_time + 20e-6 * 2 * waits_us(cell, (packet,))
    assert quiet <= found.busy < quiet + 1e-4
    assert found.hold_s == pytest.approx((0.0512, 0.1024))
    # two readers: multicast, up as unicast and down at 6 Mbit/s
    many = crowd("cyclone", {"s": "a", "h": "a", "g": "a"}, {"r": "h", "q": "g"}, a=AIR).links["neta"]
    air = burst_us(cell, (packet,)) + multicast_us(cell, packet)
    assert many.air_time == pytest.approx(20e-6 * air + beacon_share(cell))
    direct = crowd("cyclone", {"s": "a", "h": "a"}, {"r": "h"}, a=AIR | {"access_point": False}).links["neta"]
    assert direct.air_time == pytest.approx(20e-6 * burst_us(cell, (packet,)))
    assert direct.hold_s == (0, 0)


def test_the_limit_is_named():
    people = {"talker": ("s", "cyclone"), "r": ("h", "cyclone")}
    topics = {"image": topic(100_000, 10, ["r"]), "odom": topic(720, 20, ["r"])}
    found = forecast({"s": "a", "h": "a"}, people, topics, a=AIR).links["neta"]
    assert [use.topic for use in found.uses] == ["image", "odom"]
    assert found.says == f"image takes {found.uses[0].share:.0%} of the air".replace("%", " %")
    assert sum(use.share for use in found.uses) == pytest.approx(
        found.busy - beacon_share(cell_of(found.link)), rel=0.05
    )
    assert sum(use.bytes_per_s for use in found.uses) == pytest.approx(found.bytes_per_s)
    little = crowd("cyclone", {"s": "a", "h": "a"}, {"r": "h"}).links["neta"]
    assert little.says == "one takes less than 1 % of link neta"


def test_stations_contend():
    def cell_with(n):
        machines = {f"m{i}": "a" for i in range(n)} | {"desk": "a"}
        people = {f"p{i}": (f"m{i}", "cyclone") for i in range(n)} | {"panel": ("desk", "cyclone")}
        topics = {f"t{i}": topic(1000, 100, ["panel"], writer=f"p{i}") for i in range(n)}
        return forecast(machines, people, topics, a=AIR).links["neta"]

    few, many, far_too_many = cell_with(2), cell_with(6), cell_with(40)
    assert 0 < few.collision < many.collision < far_too_many.collision < 1
    assert few.busy < many.busy < 1 < far_too_many.busy
    assert far_too_many.headroom == 0
    assert many.busy - many.air_time > 3 * (few.busy - few.air_time)


# -- loss -------------------------------------------------------------------------------------------------


def test_loss_of_flows():
    lossy = ETHERNET | {"loss": "5 %"}
    best = crowd("cyclone", {"s": "a", "h": "a"}, {"r": "h"}, size=60_000, rate=2, a=lossy)
    flow = best.flows[Flow("one", "talker", "r")]
    # four messages of 10 packets and one of 5: 1 - 0.95^45
    assert len(flow.messages.packets) == 45
    assert flow.loss == pytest.approx(1 - 0.95**45)
    assert flow.rounds is None
    sure = crowd("cyclone", {"s": "a", "h": "a"}, {"r": "h"}, RELIABLE, size=100, rate=50, a=lossy)
    assert sure.flows[Flow("one", "talker", "r")].rounds == pytest.approx(1 / 0.95)
    # each lost sample is sent until it comes, and asked for and acknowledged once more
    assert sent(sure)["neta"] == pytest.approx(50 * (1 + 0.05 / 0.95 + 2 * 0.05), abs=0.01)
    # twice the addresses, half the worries
    fast = crowd("fast", {"s": "ab", "h": "ab"}, {"r": "h"}, a=lossy, b=lossy)
    assert fast.flows[Flow("one", "talker", "r")].loss == pytest.approx(0.05**2)


def test_left_over_fragments():
    lossy = ETHERNET | {"loss": "5 %"}
    found = crowd("fast", {"s": "a", "h": "a"}, {"r": "h"}, size=60_000, rate=10, a=lossy)
    assert found.machines["h"].stalls
    assert found.machines["h"].full_s < 10
    assert found.machines["s"].full_s == inf
    assert not crowd("fast", {"s": "a", "h": "a"}, {"r": "h"}, size=1000, a=lossy).machines["h"].stalls


def test_within_a_machine_nothing_is_lost():
    found = crowd("cyclone", {"s": "a", "h": "a"}, {"r": "s"})
    flow = found.flows[Flow("one", "talker", "r")]
    assert (flow.copy, flow.messages, flow.loss, flow.rounds) == (None, None, 0.0, None)


# -- properties -------------------------------------------------------------------------------------------

libraries = st.sampled_from(["cyclone", "fast"])
qualities = st.sampled_from([BEST, RELIABLE])


@settings(max_examples=40, deadline=None)
@given(
    libraries, qualities, st.integers(8, 200_000), st.integers(1, 50_000), st.sampled_from([1, 5, 20, 100])
)
def test_more_is_never_less(library, qos, size, more, rate):
    def at(size, rate, loss="0 %", machines=2):
        where = {"s": "a"} | {f"h{i}": "a" for i in range(machines - 1)}
        readers = {f"r{i}": f"h{i}" for i in range(machines - 1)}
        return crowd(library, where, readers, qos, size, rate, a=AIR | {"loss": loss}).links["neta"]

    base = at(size, rate)
    for other in (at(size + more, rate), at(size, rate, "1 %")):
        assert other.bytes_per_s >= base.bytes_per_s - 1e-6
        assert other.air_time >= base.air_time - 1e-12
    assert at(size, 2 * rate).air_time >= base.air_time
    assert at(size, rate, machines=4).air_time >= base.air_time - 1e-12


@settings(max_examples=30, deadline=None)
@given(libraries, st.integers(8, 100_000), st.sampled_from([(6, 12), (12, 24), (24, 54), (6, 54)]))
def test_a_better_link_is_never_busier(library, size, rates):
    machines, readers = {"s": "a", "h": "a"}, {"r": "h"}
    slow, fast = (
        crowd(library, machines, readers, BEST, size, a=AIR | {"rate": f"{r} Mbit/s"}).links["neta"]
        for r in rates
    )
    assert fast.air_time <= slow.air_time
    assert fast.bytes_per_s == slow.bytes_per_s


def test_access_is_part_of_a_use():
    found = crowd("cyclone", {"s": "a", "h": "a"}, {"r": "h"}, a=AIR).links["neta"]
    cell = cell_of(found.link)
    assert found.uses[0].share == pytest.approx(20e-6 * 2 * (burst_us(cell, (184,)) + access_us(cell)))
