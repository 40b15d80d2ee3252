"""The kernel's packet filter: what `toprung.wire` reads of a network, and nothing else.

Ports are not enough to know RTPS by, so the filter looks for its magic at the beginning of the UDP payload.
It also lets pass every IP fragment of UDP (only the first one carries a magic), ICMP errors and ARP.
Classic BPF: McCanne and Jacobson 1993; the kernel's extensions: Documentation/networking/filter.rst.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

MAGIC = int.from_bytes(b"RTPS", "big")  # DDSI-RTPS 2.5, 9.4.4
ARP, IPV4, IPV6 = 0x0806, 0x0800, 0x86DD
VLANS = (0x8100, 0x88A8, 0x9100)
ICMP, UDP, FRAGMENT, AUTHENTICATION, ICMP6 = 1, 17, 44, 51, 58
EXTENSIONS = (0, 43, 60, 135)  # hop-by-hop, routing, destination, mobility: length in 8 octets, less one
ICMP_ERRORS = (3, 11)  # RFC 792: unreachable, time exceeded
ICMP6_ERRORS = (1, 2, 3)  # RFC 4443: unreachable, too big, time exceeded
MOST_EXTENSIONS = 8  # as many as `toprung.wire` walks
MOST_TAGS = 2

# operation codes of classic BPF
LOAD_WORD, LOAD_HALF, LOAD_BYTE = 0x20, 0x28, 0x30  # at a place
WORD_AT, HALF_AT, BYTE_AT = 0x40, 0x48, 0x50  # at X plus a place
LOAD_KEPT, KEEP = 0x60, 0x02
X_IS, ADD, ADD_X, AND, SHIFT_LEFT, TO_X, TO_A = 0x01, 0x04, 0x0C, 0x54, 0x64, 0x07, 0x87
EQUAL, ANY_BIT, JUMP, RETURN = 0x15, 0x45, 0x05, 0x06

# places that stand for facts about the packet (SKF_AD_OFF)
PROTOCOL, PACKET_TYPE, INTERFACE = 0xFFFFF000, 0xFFFFF000 + 4, 0xFFFFF000 + 8
OUTGOING = 4  # PACKET_OUTGOING
LOOPBACK = 1  # index of the loopback interface, in every network namespace

_NEXT = ""


@dataclass(frozen=True, slots=True)
class _Step:
    """One instruction; `yes` and `no` are labels, empty for the next instruction."""

    code: int
    k: int = 0
    yes: str = _NEXT
    no: str = _NEXT
    label: str = ""  # of this instruction


def _mark(label: str) -> _Step:
    """A label for the instruction that follows."""
    return _Step(-1, label=label)


def program(*, ethernet: bool, snap_bytes: int) -> bytes:
    """Instructions (8 octets each, native order) for a socket.

    ethernet: packets begin with an Ethernet header; otherwise with the IP or ARP header, and the kernel says
    which.  snap_bytes: octets of a packet that are kept.
    """
    steps = [*_own_echo(), *(_ethernet() if ethernet else _cooked()), *_protocols(), *_ipv4(), *_ipv6()]
    return _assembled(steps, snap_bytes)


def _own_echo() -> list[_Step]:
    """Loopback shows each packet twice: kept is the one that arrives."""
    return [
        _Step(LOAD_WORD, PACKET_TYPE),
        _Step(EQUAL, OUTGOING, no="begin"),
        _Step(LOAD_WORD, INTERFACE),
        _Step(EQUAL, LOOPBACK, yes="drop"),
        _mark("begin"),
    ]


def _ethernet() -> list[_Step]:
    """X: where IP begins, A: the EtherType; VLAN tags that the kernel left in are stepped over."""
    steps = [_Step(X_IS, 14), _Step(LOAD_HALF, 12)]
    for tag in range(MOST_TAGS):
        steps += [_Step(EQUAL, kind, yes=f"tag{tag}") for kind in VLANS]
        steps += [
            _Step(JUMP, yes="known"),
            _mark(f"tag{tag}"),
            _Step(X_IS, 18 + 4 * tag),
            _Step(LOAD_HALF, 16 + 4 * tag),
        ]
    return [*steps, _mark("known")]


def _cooked() -> list[_Step]:
    return [_Step(X_IS, 0), _Step(LOAD_WORD, PROTOCOL)]


def _protocols() -> list[_Step]:
    return [
        _Step(EQUAL, IPV4, yes="four"),
        _Step(EQUAL, ARP, yes="pass"),
        _Step(EQUAL, IPV6, no="drop"),
        _Step(JUMP, yes="six"),
        *_verdicts(),
    ]


def _verdicts(suffix: str = "") -> list[_Step]:
    """Both ends, again and again: a condition cannot jump far."""
    return [_mark(f"pass{suffix}"), _Step(RETURN, 1), _mark(f"drop{suffix}"), _Step(RETURN, 0)]


def _one_of(numbers: tuple[int, ...]) -> list[_Step]:
    """Pass if A is one of the numbers."""
    *first, last = numbers
    return [*(_Step(EQUAL, n, yes="pass4") for n in first), _Step(EQUAL, last, yes="pass4", no="drop4")]


def _ipv4() -> list[_Step]:
    """RFC 791.  Fragments: more to come, or a place other than 0."""
    behind_head = [
        _Step(BYTE_AT, 0),
        _Step(AND, 15),
        _Step(SHIFT_LEFT, 2),
        _Step(ADD_X),
        _Step(TO_X),
    ]
    return [
        _mark("four"),
        _Step(BYTE_AT, 9),
        _Step(EQUAL, UDP, yes="udp4"),
        _Step(EQUAL, ICMP, no="drop4"),
        _Step(HALF_AT, 6),
        _Step(ANY_BIT, 0x1FFF, yes="drop4"),
        *behind_head,
        _Step(BYTE_AT, 0),
        *_one_of(ICMP_ERRORS),
        _mark("udp4"),
        _Step(HALF_AT, 6),
        _Step(ANY_BIT, 0x3FFF, yes="pass4"),
        *behind_head,
        _Step(WORD_AT, 8),
        _Step(EQUAL, MAGIC, yes="pass4", no="drop4"),
        *_verdicts("4"),
    ]


def _ipv6() -> list[_Step]:
    """RFC 8200: the next header's kind is kept in memory 0, X is where that header begins."""
    steps = [_mark("six"), _Step(BYTE_AT, 6), _Step(KEEP), _Step(TO_A), _Step(ADD, 40), _Step(TO_X)]
    for number in range(MOST_EXTENSIONS):
        steps += _header(f"six{number}")
    return [*steps, *_last("end"), *_verdicts("end")]


def _last(name: str, otherwise: str = "") -> list[_Step]:
    """UDP or ICMPv6 at X, `otherwise` for the rest."""
    return [
        _Step(LOAD_KEPT),
        _Step(EQUAL, UDP, yes=f"udp{name}"),
        _Step(EQUAL, ICMP6, no=otherwise or f"drop{name}"),
        _Step(BYTE_AT, 0),
        *(_Step(EQUAL, kind, yes=f"pass{name}") for kind in ICMP6_ERRORS),
        _Step(JUMP, yes=f"drop{name}"),
        _mark(f"udp{name}"),
        _Step(WORD_AT, 8),
        _Step(EQUAL, MAGIC, yes=f"pass{name}", no=f"drop{name}"),
    ]


def _header(name: str) -> list[_Step]:
    """What comes at X, or else the step to the next header."""
    after = f"next{name}"

    def onward(least: int, shift: int) -> list[_Step]:
        return [
            _Step(BYTE_AT, 0),
            _Step(KEEP),
            _Step(BYTE_AT, 1),
            _Step(ADD, least),
            _Step(SHIFT_LEFT, shift),
            _Step(ADD_X),
            _Step(TO_X),
            _Step(JUMP, yes=after),
        ]

    return [
        *_last(name, f"more{name}"),
        _mark(f"more{name}"),
        *(_Step(EQUAL, kind, yes=f"skip{name}") for kind in EXTENSIONS),
        _Step(EQUAL, AUTHENTICATION, yes=f"signed{name}"),
        _Step(EQUAL, FRAGMENT, no=f"drop{name}"),
        _Step(HALF_AT, 2),
        _Step(ANY_BIT, 0xFFF9, no=f"whole{name}"),
        _Step(BYTE_AT, 0),
        _Step(EQUAL, UDP, yes=f"pass{name}"),
        _Step(EQUAL, ICMP6, no=f"drop{name}"),
        _Step(HALF_AT, 2),
        _Step(ANY_BIT, 0xFFF8, yes=f"drop{name}"),
        _Step(BYTE_AT, 8),
        *(_Step(EQUAL, kind, yes=f"pass{name}") for kind in ICMP6_ERRORS),
        *_verdicts(name)[2:],
        _mark(f"pass{name}"),
        _Step(RETURN, 1),
        _mark(f"whole{name}"),  # a fragment header before a whole datagram
        _Step(BYTE_AT, 0),
        _Step(KEEP),
        _Step(TO_A),
        _Step(ADD, 8),
        _Step(TO_X),
        _Step(JUMP, yes=after),
        _mark(f"skip{name}"),
        *onward(1, 3),
        _mark(f"signed{name}"),
        *onward(2, 2),
        _mark(after),
    ]


def _assembled(steps: list[_Step], snap_bytes: int) -> bytes:
    places: dict[str, int] = {}
    real: list[_Step] = []
    for step in steps:
        if step.code < 0:
            places[step.label] = len(real)
        else:
            real.append(step)
    out = bytearray()
    for here, step in enumerate(real):
        yes, no = (places[label] - here - 1 if label else 0 for label in (step.yes, step.no))
        k = step.k
        if step.code == JUMP:
            yes, no, k = 0, 0, yes
        elif step.code == RETURN and k:
            k = snap_bytes
        out += struct.pack("=HBBI", step.code, yes, no, k)
    return bytes(out)
