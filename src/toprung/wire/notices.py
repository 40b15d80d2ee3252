"""ARP and ICMP: what the network says about its paths (RFC 826, 792, 4443), told apart and counted."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address

from toprung.model.picture import NoticeKind

ARP, ICMP, ICMP6 = 0x0806, 1, 58
UDP = 17
MAX_NOTICES = 4096  # different ones; later ones are dropped

PROHIBITED4 = frozenset({9, 10, 13})  # RFC 1812, 5.2.7.1: administratively
PROHIBITED6 = frozenset({1, 5, 6})


@dataclass(slots=True)
class Seen:
    """How often, how much, first and last."""

    count: int
    bytes: int
    first_ns: int
    first_packet: int
    last_ns: int
    last_packet: int

    def again(self, size: int, time_ns: int, packet: int) -> None:
        self.count += 1
        self.bytes += size
        self.last_ns, self.last_packet = time_ns, packet


@dataclass(frozen=True, slots=True)
class NoticeSeen:
    """As `toprung.model.picture.Notice`, in one scan."""

    kind: NoticeKind
    source: str
    about: str
    port: int
    hardware: str
    seen: Seen

    @property
    def key(self) -> tuple[str, str, str, int, str]:
        """What tells it from others."""
        return self.kind, self.source, self.about, self.port, self.hardware


@dataclass(frozen=True, slots=True)
class NeighbourSeen:
    """As `toprung.model.picture.Neighbour`, in one scan; `hardware` is "aa:bb:cc:dd:ee:ff"."""

    address: str
    hardware: str
    seen: Seen

    @property
    def key(self) -> tuple[str, str]:
        """What tells it from others."""
        return self.address, self.hardware


class Notices:
    """Collects notices; malformed ones are counted in `short`."""

    def __init__(self) -> None:
        self.rows: dict[tuple[NoticeKind, str, str, int, str], NoticeSeen] = {}
        self.short = 0

    def add(
        self, kind: int, body: bytes, source: str, size: int, time_ns: int, packet: int, cut: bool
    ) -> None:
        """One ARP or ICMP message; `source` is the IP source (ARP has its own), `size` link-layer bytes."""
        try:
            read = {ARP: _arp, ICMP: _icmp, ICMP6: _icmp6}[kind](body)
        except (struct.error, IndexError):
            self.short += not cut
            return
        if read is None:
            return
        key = (read[0], read[1] or source, *read[2:])
        row = self.rows.get(key)
        if row is not None:
            row.seen.again(size, time_ns, packet)
        elif len(self.rows) < MAX_NOTICES:
            self.rows[key] = NoticeSeen(*key, Seen(1, size, time_ns, packet, time_ns, packet))


_Read = tuple[NoticeKind, str, str, int, str]  # kind, source ("": the IP header's), about, port, hardware


def _arp(body: bytes) -> _Read | None:
    """RFC 826, for IPv4 over 6-octet addresses; a reply is about whoever answers."""
    _, protocol, hardware_length, protocol_length, operation = struct.unpack_from(">HHBBH", body)
    hardware, sender, target = struct.unpack_from(">6s4s6x4s", body, 8)
    if protocol != 0x0800 or hardware_length != 6 or protocol_length != 4:
        return None
    says, asks, who = str(IPv4Address(sender)), str(IPv4Address(target)), hardware.hex(":")
    if operation == 1:
        return NoticeKind.ARP_REQUEST, says, asks, 0, who
    if operation == 2:
        return NoticeKind.ARP_REPLY, says, says, 0, who
    return None


def _icmp(body: bytes) -> _Read | None:
    """RFC 792: destination unreachable (3), time exceeded (11)."""
    kind, code = struct.unpack_from(">BB", body)
    if kind == 3:
        what = {3: NoticeKind.PORT_UNREACHABLE, 4: NoticeKind.TOO_BIG}.get(code, NoticeKind.HOST_UNREACHABLE)
        what = NoticeKind.PROHIBITED if code in PROHIBITED4 else what
    elif kind == 11:
        what = NoticeKind.REASSEMBLY_EXCEEDED if code == 1 else NoticeKind.TTL_EXCEEDED
    else:
        return None
    quoted = body[8:]
    head, place, protocol, target = struct.unpack_from(">B5xHxB6x4s", quoted)
    port = 0
    if protocol == UDP and place & 0x1FFF == 0 and len(quoted) >= (head & 15) * 4 + 4:
        (port,) = struct.unpack_from(">H", quoted, (head & 15) * 4 + 2)
    return what, "", str(IPv4Address(target)), port, ""


def _icmp6(body: bytes) -> _Read | None:
    """RFC 4443: destination unreachable (1), packet too big (2), time exceeded (3)."""
    kind, code = struct.unpack_from(">BB", body)
    if kind == 1:
        what = NoticeKind.PORT_UNREACHABLE if code == 4 else NoticeKind.HOST_UNREACHABLE
        what = NoticeKind.PROHIBITED if code in PROHIBITED6 else what
    elif kind == 2:
        what = NoticeKind.TOO_BIG
    elif kind == 3:
        what = NoticeKind.REASSEMBLY_EXCEEDED if code == 1 else NoticeKind.TTL_EXCEEDED
    else:
        return None
    quoted = body[8:]
    protocol, target = struct.unpack_from(">6xB17x16s", quoted)
    port = struct.unpack_from(">H", quoted, 42)[0] if protocol == UDP and len(quoted) >= 44 else 0
    return what, "", str(IPv6Address(target)), port, ""
