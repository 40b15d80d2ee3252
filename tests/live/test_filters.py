"""The kernel's filter passes what the wire room reads, and nothing else.

The program is attached to a socket of a local pair, so that the kernel itself runs it, on any packet that
can be made up.  What should pass is asked of `toprung.wire`, which is checked elsewhere.
"""

from __future__ import annotations

import ctypes
import random
import socket
import struct
import warnings

import pytest
from tests.wire import frames

from toprung.live.filters import program
from toprung.live.packets import ATTACH_FILTER
from toprung.wire.scan import Scan

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from scapy.all import (
        ARP,
        GRE,
        ICMP,
        IP,
        STP,
        TCP,
        UDP,
        Dot1AD,
        Dot1Q,
        Dot3,
        Ether,
        ICMPv6DestUnreach,
        ICMPv6EchoRequest,
        ICMPv6ND_NS,
        ICMPv6PacketTooBig,
        ICMPv6TimeExceeded,
        IPOption_NOP,
        IPv6,
        IPv6ExtHdrDestOpt,
        IPv6ExtHdrFragment,
        IPv6ExtHdrHopByHop,
        IPv6ExtHdrRouting,
        Raw,
    )
    from scapy.layers.ipsec import AH

RTPS = b"RTPS\2\3\1\x0f" + bytes(12) + b"\x09\1\0\x08" + bytes(8)
OTHER = b"RTPX" + bytes(40)
E, Q = Ether(src="02:00:00:00:00:01", dst="02:00:00:00:00:02"), Dot1Q(vlan=7)
IN4, IN6 = IP(src="10.77.1.1", dst="10.77.1.2"), IPv6(src="fd77::1", dst="fd77::2")
U = UDP(sport=40000, dport=7411)
FRAGMENT4 = IP(src="10.77.1.1", dst="10.77.1.2", id=9, proto=17)


def again(layer, count):
    made = layer
    for _ in range(count - 1):
        made = made / layer.copy()
    return made


PASS = {
    "plain": E / IN4 / U / RTPS,
    "any port": E / IN4 / UDP(sport=53, dport=53) / RTPS,
    "options": E / IP(src="10.77.1.1", dst="10.77.1.2", options=[IPOption_NOP()] * 40) / U / RTPS,
    "first fragment": E / FRAGMENT4.copy() / Raw(bytes(U / RTPS) + bytes(4)),
    "later fragment": E / FRAGMENT4.copy() / Raw(b"xxxx" * 8),
    "last fragment": E / FRAGMENT4.copy() / Raw(b"xxxx"),
    "tagged": E / Q / IN4 / U / RTPS,
    "tagged twice": E / Dot1AD(vlan=3) / Q / IN4 / U / RTPS,
    "IPv6": E / IN6 / U / RTPS,
    "IPv6 tagged": E / Q / IN6 / U / RTPS,
    "hop by hop": E / IN6 / IPv6ExtHdrHopByHop() / U / RTPS,
    "routing": E / IN6 / IPv6ExtHdrRouting() / U / RTPS,
    "destination": E / IN6 / IPv6ExtHdrDestOpt() / U / RTPS,
    "seven headers": E / IN6 / again(IPv6ExtHdrDestOpt(), 7) / U / RTPS,
    "IPv6 whole behind a fragment header": E / IN6 / IPv6ExtHdrFragment(nh=17, m=0, offset=0) / U / RTPS,
    "IPv6 first fragment": E / IN6 / IPv6ExtHdrFragment(nh=17, m=1, offset=0) / U / RTPS,
    "IPv6 later fragment": E / IN6 / IPv6ExtHdrFragment(nh=17, m=0, offset=4) / Raw(b"x" * 16),
    "IPv6 fragment behind another": E
    / IN6
    / IPv6ExtHdrHopByHop()
    / IPv6ExtHdrFragment(nh=17, m=1, offset=9)
    / Raw(b"x" * 16),
    "authenticated": E / IN6 / AH(nh=17, payloadlen=4, icv=b"x" * 12) / U / RTPS,
    "unreachable": E / IN4 / ICMP(type=3, code=3) / IN4 / U,
    "too big": E / IN4 / ICMP(type=3, code=4) / IN4 / U,
    "time exceeded": E / IN4 / ICMP(type=11, code=1) / IN4 / U,
    "ICMPv6 unreachable": E / IN6 / ICMPv6DestUnreach() / IN6 / U,
    "ICMPv6 too big": E / IN6 / ICMPv6PacketTooBig() / IN6 / U,
    "ICMPv6 time exceeded": E / IN6 / IPv6ExtHdrHopByHop() / ICMPv6TimeExceeded() / IN6 / U,
    "ARP": E / ARP(psrc="10.77.1.1", pdst="10.77.1.2"),
    "ARP tagged": E / Q / ARP(psrc="10.77.1.1", pdst="10.77.1.2", op=2),
}
for name, flags, place in (("first", "MF", 0), ("later", "MF", 185), ("last", 0, 370)):
    PASS[f"{name} fragment"][IP].flags, PASS[f"{name} fragment"][IP].frag = flags, place

DROP = {
    "other UDP": E / IN4 / U / OTHER,
    "short UDP": E / IN4 / U / b"RTP",
    "magic a little late": E / IN4 / U / (b"\0" + RTPS),
    "TCP": E / IN4 / TCP() / RTPS,
    "TCP fragment": E / IP(src="10.77.1.1", dst="10.77.1.2", proto=6, frag=9) / RTPS,
    "GRE": E / IN4 / GRE() / IN4 / U / RTPS,
    "echo": E / IN4 / ICMP() / RTPS,
    "echo, later fragment": E / IP(src="10.77.1.1", dst="10.77.1.2", proto=1, frag=9) / RTPS,
    "IPv6 other UDP": E / IN6 / U / OTHER,
    "IPv6 TCP": E / IN6 / TCP() / RTPS,
    "IPv6 TCP fragment": E / IN6 / IPv6ExtHdrFragment(nh=6, m=1, offset=9) / RTPS,
    "IPv6 echo": E / IN6 / ICMPv6EchoRequest() / RTPS,
    "neighbour solicitation": E / IN6 / ICMPv6ND_NS(tgt="fd77::2"),
    "nothing follows": E / IPv6(src="fd77::1", dst="fd77::2", nh=59) / RTPS,
    "spanning tree": Dot3(src="02:00:00:00:00:01", dst="01:80:c2:00:00:00") / STP(),
    "other EtherType": Ether(type=0x88CC) / RTPS,
    "tagged other UDP": E / Q / IN4 / U / OTHER,
    "cut short": Raw(b"\0" * 10),
}


class Gate:
    """A pair of sockets with the filter between them."""

    def __init__(self, snap_bytes=1 << 18):
        self.near, self.far = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.far.setblocking(False)
        instructions = program(ethernet=True, snap_bytes=snap_bytes)
        held = ctypes.create_string_buffer(instructions)
        wish = struct.pack("@HP", len(instructions) // 8, ctypes.addressof(held))
        self.far.setsockopt(socket.SOL_SOCKET, ATTACH_FILTER, wish)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.near.close()
        self.far.close()

    def passed(self, frame):
        self.near.send(frame)
        try:
            return self.far.recv(1 << 17)
        except BlockingIOError:
            return None


def is_read(frame):
    """Whether the wire room makes anything of it: a message, a piece of one, a notice."""
    scan = Scan(frames.capture(frame))
    blocks = sum(block.n_messages for block in scan.blocks())
    s = scan.summary
    return bool(blocks or s.datagrams or s.notices or s.headless or s.malformed)


@pytest.mark.parametrize("name", PASS)
def test_passes(name):
    frame = bytes(PASS[name])
    with Gate() as gate:
        assert gate.passed(frame) == frame
    assert is_read(frame)


@pytest.mark.parametrize("name", DROP)
def test_drops(name):
    with Gate() as gate:
        assert gate.passed(bytes(DROP[name])) is None


def test_whatever_is_changed_in_a_packet_what_is_read_passes():
    """Flipped octets, cut ends, swapped tails: malformed packets may be dropped, never readable ones."""
    rng = random.Random(7400)
    seeds = [bytes(frame) for frame in (*PASS.values(), *DROP.values())]
    passed = read = 0
    with Gate() as gate:
        for _ in range(6000):
            frame = bytearray(rng.choice(seeds))
            for _ in range(rng.randint(0, 3)):
                frame[rng.randrange(min(len(frame), 80))] = rng.choice((0, 1, 4, 17, 44, 58, 64, 255, 8, 69))
            frame = bytes(frame[: rng.choice((len(frame), len(frame), rng.randint(1, len(frame))))])
            went = gate.passed(frame) is not None
            scan = Scan(frames.capture(frame))
            messages = sum(block.n_messages for block in scan.blocks())
            s = scan.summary
            kept = bool(messages or s.notices or s.headless)
            passed, read = passed + went, read + kept
            assert went or not kept, frame.hex()
    assert passed > read > 1000
    assert passed < 1.3 * read


def test_the_snapshot_length_is_kept():
    with Gate(snap_bytes=60) as gate:
        assert len(gate.passed(bytes(PASS["plain"]))) == 60
