"""A capture as UDP datagrams with the frames that carried each: what `data_check` counts.

Plain reading of a pcap or pcapng file, another way than the tool's own scan: each datagram with the time and
bytes of its frames (IP fragments joined by their identification) and its RTPS submessages.
"""

from __future__ import annotations

import gzip
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from pathlib import Path
from typing import NamedTuple

ETHERNET_BYTES, FRAGMENT_UNIT = 14, 8
INTERFACE, ENHANCED_PACKET = 1, 6  # blocks of pcapng
COOKED, COOKED_BYTES = 276, 20  # LINKTYPE_LINUX_SLL2: protocol, interface, ARPHRD type, packet type, address
LOOPBACK, OUTGOING = b"\x03\x04", 4
DATA, DATA_FRAG, HEARTBEAT, HEARTBEAT_FRAG, ACKNACK = 0x15, 0x16, 0x07, 0x13, 0x06
ENTITY_AT = {
    0x06: 0,
    0x07: 0,
    0x08: 0,
    0x12: 0,
    0x13: 0,
    0x15: 4,
    0x16: 4,
}  # kind -> where the reader id stands


class Part(NamedTuple):
    """A submessage; `length` with its header, `sequence` of what names a sample, of DATA_FRAG how many
    fragments of what size it holds, of both the sample's size (of DATA: padded to fours)."""

    kind: int
    reader: int
    writer: int
    length: int
    sequence: int
    fragments: int
    fragment_bytes: int
    sample_bytes: int


@dataclass
class Datagram:
    """One UDP datagram.  `frames`: bytes of its Ethernet frames as captured, in order.  `parts`: its
    submessages, as far as all before them were captured."""

    time_s: float
    source: str
    destination: str
    port: int
    frames: list[int]
    payload: int
    outgoing: bool  # sent by the captured machine, as far as the capture says so
    parts: list[Part] = field(default_factory=list)
    pieces: dict[int, bytes] = field(default_factory=dict, repr=False)

    @property
    def multicast(self) -> bool:
        return self.destination.startswith("239.")

    @property
    def user(self) -> bool:
        """Whether an endpoint of the user's speaks in it: an entity kind without the builtin bits."""
        return any(p.reader & 0xC0 == 0 and p.writer & 0xC0 == 0 and p.writer for p in self.parts)


def datagrams(path: Path) -> list[Datagram]:
    """All UDP datagrams of a capture, by time of their first frame; where that is lost, `payload` is -1."""
    raw = Path(path).read_bytes()
    raw = gzip.decompress(raw) if raw[:2] == b"\x1f\x8b" else raw
    frames = _frames_of_blocks(raw) if raw[:4] == b"\x0a\x0d\x0d\x0a" else _frames_of_pcap(raw)
    found: dict[tuple, Datagram] = {}
    for count, (time_s, frame, cooked) in enumerate(frames):
        ip = frame[COOKED_BYTES if cooked else ETHERNET_BYTES :]
        if len(ip) < 28 or ip[0] != 0x45 or ip[9] != 17 or (cooked and frame[8:10] == LOOPBACK):
            continue
        _packet(found, ip, time_s, count, not cooked or frame[10] == OUTGOING)
    for datagram in found.values():
        datagram.parts = submessages(b"".join(_in_a_row(datagram.pieces)))
        datagram.pieces.clear()
    return list(found.values())


def _in_a_row(pieces: dict[int, bytes]) -> Iterator[bytes]:
    """The pieces from the first on, as far as none is missing; without the UDP header."""
    at = 0
    while at in pieces:
        yield pieces[at][0 if at else 8 :]
        if not pieces[at]:
            break
        at += len(pieces[at])


def _frames_of_pcap(raw: bytes) -> Iterator[tuple[float, bytes, bool]]:
    units = 1e9 if raw[:4] == b"\x4d\x3c\xb2\xa1" else 1e6
    at, cooked = 24, raw[20] == COOKED & 0xFF
    while at + 16 <= len(raw):
        seconds, fraction, length, _ = struct.unpack_from("<IIII", raw, at)
        yield seconds + fraction / units, raw[at + 16 : at + 16 + length], cooked
        at += 16 + length


def _frames_of_blocks(raw: bytes) -> Iterator[tuple[float, bytes, bool]]:
    """Enhanced packet blocks of little-endian pcapng with times in nanoseconds, as ours are."""
    at, cooked = 0, []
    while at + 12 <= len(raw):
        kind, size = struct.unpack_from("<II", raw, at)
        if kind == INTERFACE:
            cooked.append(struct.unpack_from("<H", raw, at + 8)[0] == COOKED)
        if kind == ENHANCED_PACKET and at + size <= len(raw):
            interface, high, low, length, _ = struct.unpack_from("<IIIII", raw, at + 8)
            yield ((high << 32) + low) / 1e9, raw[at + 28 : at + 28 + length], cooked[interface]
        at += size


def _packet(found: dict[tuple, Datagram], ip: bytes, time_s: float, count: int, outgoing: bool) -> None:
    total, ident, place = struct.unpack_from("!HHH", ip, 2)
    source, destination = (str(IPv4Address(ip[i : i + 4])) for i in (12, 16))
    offset, more = (place & 0x1FFF) * FRAGMENT_UNIT, bool(place & 0x2000)
    key = (source, destination, ident, outgoing) if offset or more else (count,)
    if key in found and found[key].payload >= 0 and not offset:  # the identification came round again
        found[(*key, count)] = found.pop(key)
    held = found.setdefault(key, Datagram(time_s, source, destination, 0, [], -1, outgoing))
    held.frames.append(ETHERNET_BYTES + total)
    if not offset:
        held.port, size = struct.unpack_from("!HH", ip, 22)
        held.payload = size - 8
    held.pieces[offset] = ip[20:total]


def submessages(message: bytes) -> list[Part]:
    """The submessages of an RTPS message (as far as it is there)."""
    if message[:4] != b"RTPS":
        return []
    parts, at = [], 20
    while at + 4 <= len(message):
        kind, flags = message[at], message[at + 1]
        order = "<" if flags & 1 else ">"
        (size,) = struct.unpack_from(order + "H", message, at + 2)
        reader = writer = sequence = fragments = fragment_bytes = sample = 0
        if kind in ENTITY_AT and at + 20 + ENTITY_AT[kind] <= len(message):
            place = at + 4 + ENTITY_AT[kind]
            reader, writer = struct.unpack_from("!II", message, place)
            high, low = struct.unpack_from(order + "iI", message, place + 8)
            sequence = (high << 32) + low
            if kind == DATA_FRAG:
                fragments, fragment_bytes, sample = struct.unpack_from(order + "HHI", message, place + 20)
            elif kind == DATA:
                sample = size - 20
        parts.append(Part(kind, reader, writer, 4 + size, sequence, fragments, fragment_bytes, sample))
        if not size and kind not in (0x01, 0x09):
            break
        at += 4 + size
    return parts
