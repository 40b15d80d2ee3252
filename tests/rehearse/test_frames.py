"""What rules and machines see of frames; scapy builds and dissects them independently."""

from __future__ import annotations

import pytest
from scapy.layers.inet import IP, TCP, UDP, fragment
from scapy.layers.inet6 import IPv6
from scapy.layers.l2 import ARP, Ether

from toprung.rehearse.frames import Facts, claim, facts, is_discovery, matches, one_hop_on
from toprung.rehearse.specs import Rule
from toprung.wire.ids import EntityId, Sub
from toprung.wire.messages import info_ts, message, submessage

ROUTER = bytes.fromhex("020000000001")


def datagram(destination="10.77.2.40", port=7410, size=100, **ip):
    return bytes(Ether(src=ROUTER.hex(":")) / IP(dst=destination, **ip) / UDP(dport=port) / bytes(size))


UNICAST, MULTICAST = datagram(), datagram("239.255.0.1", 7400, ttl=5)
ASKING = bytes(Ether(dst="ff:ff:ff:ff:ff:ff") / ARP(pdst="10.77.2.40"))
PIECES = [bytes(Ether() / p) for p in fragment(IP(dst="10.77.2.40") / UDP(dport=7411) / bytes(3000), 1480)]


def test_facts_of_whole_packets():
    assert facts(UNICAST) == Facts(128, False, True, "", 7410, 42)
    assert facts(MULTICAST) == Facts(128, True, True, "", 7400, 42)
    assert facts(ASKING) == Facts()
    assert facts(bytes(Ether() / IP() / TCP())).udp is False


def test_facts_of_fragments():
    assert [facts(p).part for p in PIECES] == ["first", "rest", "rest"]
    assert [facts(p).port for p in PIECES] == [7411, None, None]


def test_facts_of_ipv6():
    frame = bytes(Ether() / IPv6(dst="ff02::ffff:239.255.0.1") / UDP(dport=7400) / b"x")
    assert facts(frame) == Facts(49, True, True, "", 7400, 62)


@pytest.mark.parametrize("frame", [UNICAST, MULTICAST, *PIECES])
def test_a_frame_cut_anywhere_has_facts(frame):
    for length in range(len(frame)):
        assert facts(frame[:length]).ip_bytes in (0, facts(frame).ip_bytes)


@pytest.mark.parametrize(
    ("rule", "hits"),
    [
        (Rule(), [UNICAST, MULTICAST, ASKING, PIECES[0], PIECES[1]]),
        (Rule(cast="multicast"), [MULTICAST]),
        (Rule(cast="unicast"), [UNICAST, PIECES[0], PIECES[1]]),
        (Rule(udp=True), [UNICAST, MULTICAST, PIECES[0], PIECES[1]]),
        (Rule(fragments="any"), [PIECES[0], PIECES[1]]),
        (Rule(fragments="rest"), [PIECES[1]]),
        (Rule(above_bytes=128), [PIECES[0], PIECES[1]]),
        (Rule(ports=(7400, 7411)), [MULTICAST, PIECES[0]]),
        (Rule(cast="unicast", ports=(7400,)), []),
    ],
)
def test_rules(rule, hits):
    frames = [UNICAST, MULTICAST, ASKING, PIECES[0], PIECES[1]]
    assert [f for f in frames if matches(rule, facts(f))] == hits


def test_a_router_spends_a_hop_and_mends_the_checksum():
    sent = one_hop_on(MULTICAST, ROUTER)
    again = Ether(sent)
    assert (again.src, again[IP].ttl) == (ROUTER.hex(":"), 4)
    kept = again[IP].chksum
    del again[IP].chksum
    assert Ether(bytes(again))[IP].chksum == kept  # scapy's own arithmetic
    assert sent[34:] == MULTICAST[34:]


@pytest.mark.parametrize(
    "frame", [UNICAST, ASKING, datagram("239.255.0.1", ttl=1), datagram("224.0.0.22", ttl=9)]
)
def test_a_router_keeps_back_what_may_go_no_further(frame):
    assert one_hop_on(frame, ROUTER) is None


def rtps(*submessages, port=7412):
    payload = message(bytes(12), 0x0110, submessages)
    return bytes(Ether() / IP(dst="10.77.1.1") / UDP(dport=port) / payload)


def heartbeat(reader, writer, little=True):
    return submessage(
        Sub.HEARTBEAT, reader.to_bytes(4, "big") + writer.to_bytes(4, "big") + bytes(20), 0, little
    )


@pytest.mark.parametrize("little", [True, False])
def test_discovery_is_told_by_its_entities(little):
    builtin = heartbeat(EntityId.PUBLICATIONS_READER, EntityId.PUBLICATIONS_WRITER, little)
    users = heartbeat(0x00000104, 0x00000103, little)
    assert is_discovery(rtps(builtin))
    assert is_discovery(rtps(info_ts(1, little), builtin))
    assert not is_discovery(rtps(users))
    assert not is_discovery(rtps(info_ts(1, little)))
    assert not is_discovery(UNICAST)
    announced = heartbeat(0, EntityId.PARTICIPANT_WRITER, little)
    assert is_discovery(rtps(announced))


def test_discovery_cut_short_is_none_or_some_and_never_an_error():
    frame = rtps(info_ts(1), heartbeat(EntityId.UNKNOWN, EntityId.PARTICIPANT_WRITER))
    assert {is_discovery(frame[:length]) for length in range(len(frame))} == {False, True}


def test_an_announced_address():
    told = Ether(claim(ROUTER, "10.77.2.40"))
    assert (told.dst, told[ARP].op) == ("ff:ff:ff:ff:ff:ff", 1)
    assert (told[ARP].psrc, told[ARP].pdst, told[ARP].hwsrc) == ("10.77.2.40", "10.77.2.40", ROUTER.hex(":"))
