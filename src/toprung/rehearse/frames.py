"""Ethernet frames as links and machines look at them: where to, how long, what is inside.  Pure.

IEEE 802.3 (frame), RFC 791 (IPv4), RFC 8200 (IPv6), RFC 768 (UDP), RFC 826 (ARP); DDSI-RTPS 2.5, 9.4.
Frames come from our own kernel's TAP devices: untagged, without checksum of the frame.
"""

from __future__ import annotations

import socket
import struct
from dataclasses import dataclass

from toprung.rehearse.specs import Rule
from toprung.wire.ids import MAGIC, Sub, is_builtin

HEADER = 14  # octets before the packet
IP4, IP6, ARP = b"\x08\x00", b"\x86\xdd", b"\x08\x06"
_UDP = socket.IPPROTO_UDP
_IP6_FRAGMENT = 44  # RFC 8200, 4.5
_RTPS_HEADER = 20
# octets from a submessage's body to its reader's entity id; the writer's follows (9.4.5)
_READER_AT: dict[int, int] = {
    Sub.ACKNACK: 0,
    Sub.HEARTBEAT: 0,
    Sub.GAP: 0,
    Sub.NACK_FRAG: 0,
    Sub.HEARTBEAT_FRAG: 0,
    Sub.DATA: 4,
    Sub.DATA_FRAG: 4,
}


@dataclass(frozen=True, slots=True)
class Facts:
    """What rules ask of a frame.  `ip_bytes` 0: no IP packet.  `part`: "" whole, "first" or "rest" of an
    IP fragment.  `port`: UDP's destination; None where it does not stand here.
    """

    ip_bytes: int = 0
    multicast: bool = False
    udp: bool = False
    part: str = ""
    port: int | None = None
    payload: int = 0  # where UDP's payload begins; 0: nowhere


_NO_IP = Facts()


def facts(frame: bytes) -> Facts:
    """The frame's facts; never raises on a frame that is cut short."""
    if frame[12:14] == IP4 and len(frame) >= HEADER + 20:
        return _ip4(frame)
    if frame[12:14] == IP6 and len(frame) >= HEADER + 40:
        return _ip6(frame)
    return _NO_IP


def _ip4(frame: bytes) -> Facts:
    length, _, place = struct.unpack_from("!HHH", frame, HEADER + 2)
    part = "rest" if place & 0x1FFF else "first" if place & 0x2000 else ""
    udp_at = HEADER + (frame[HEADER] & 0x0F) * 4
    multicast = frame[HEADER + 16] & 0xF0 == 0xE0
    return _with_udp(frame, length, multicast, frame[HEADER + 9], part, udp_at)


def _ip6(frame: bytes) -> Facts:
    length = 40 + struct.unpack_from("!H", frame, HEADER + 4)[0]
    kind, udp_at, part = frame[HEADER + 6], HEADER + 40, ""
    if kind == _IP6_FRAGMENT and len(frame) >= udp_at + 8:
        (place,) = struct.unpack_from("!H", frame, udp_at + 2)
        kind, part, udp_at = frame[udp_at], "rest" if place & 0xFFF8 else "first", udp_at + 8
    return _with_udp(frame, length, frame[HEADER + 24] == 0xFF, kind, part, udp_at)


def _with_udp(frame: bytes, length: int, multicast: bool, kind: int, part: str, at: int) -> Facts:
    if kind != _UDP:
        return Facts(length, multicast, False, part)
    if part == "rest" or len(frame) < at + 8:
        return Facts(length, multicast, True, part)
    return Facts(length, multicast, True, part, struct.unpack_from("!H", frame, at + 2)[0], at + 8)


def matches(rule: Rule, seen: Facts) -> bool:
    """Whether a rule is about such frames; who sends and who receives is asked elsewhere."""
    if rule.cast and (not seen.ip_bytes or seen.multicast != (rule.cast == "multicast")):
        return False
    if rule.udp and not seen.udp:
        return False
    if rule.fragments and (not seen.part or (rule.fragments == "rest" and seen.part != "rest")):
        return False
    if rule.above_bytes is not None and seen.ip_bytes <= rule.above_bytes:
        return False
    return not rule.ports or seen.port in rule.ports


def is_discovery(frame: bytes) -> bool:
    """Whether it carries an RTPS message whose first addressed submessage belongs to discovery."""
    at = facts(frame).payload
    if not at or frame[at : at + 4] != MAGIC:
        return False
    at += _RTPS_HEADER
    while at + 12 <= len(frame):
        kind, flags = frame[at], frame[at + 1]
        if kind in _READER_AT:
            reader_at = at + 4 + _READER_AT[kind]
            return is_builtin(frame[reader_at + 7]) if reader_at + 8 <= len(frame) else False
        (length,) = struct.unpack_from("<H" if flags & 1 else ">H", frame, at + 2)
        at += 4 + length
    return False


def one_hop_on(frame: bytes, hardware: bytes) -> bytes | None:
    """A multicast frame as a router sends it on: its own address, TTL less one, header checksum anew
    (RFC 1812, 5.3.1; RFC 1071).  None: it may go no further, or is none of UDP over IPv4.
    """
    seen = facts(frame)
    if frame[12:14] != IP4 or not seen.multicast or not seen.udp or frame[HEADER + 8] <= 1:
        return None
    if frame[HEADER + 16 : HEADER + 19] == b"\xe0\x00\x00":
        return None  # the local network's control block is never forwarded (RFC 5771, 4)
    size = (frame[HEADER] & 0x0F) * 4
    header = bytearray(frame[HEADER : HEADER + size])
    header[8] -= 1
    header[10:12] = b"\0\0"
    header[10:12] = _checksum(bytes(header))
    return frame[:6] + hardware + IP4 + bytes(header) + frame[HEADER + size :]


def _checksum(octets: bytes) -> bytes:
    total = sum(struct.unpack(f"!{len(octets) // 2}H", octets))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return struct.pack("!H", ~total & 0xFFFF)


def claim(hardware: bytes, address: str) -> bytes:
    """An ARP announcement: this address is mine (RFC 5227, 2.3)."""
    host = socket.inet_aton(address)
    body = struct.pack("!HHBBH", 1, 0x0800, 6, 4, 1) + hardware + host + bytes(6) + host
    return b"\xff" * 6 + hardware + ARP + body
