"""Packets and captures built by hand, octet by octet; the tests' own reading of the standards."""

from __future__ import annotations

import struct
from ipaddress import IPv4Address, IPv6Address
from typing import NamedTuple

PREFIX = bytes.fromhex("010f0102030405060708090a")
OTHER = bytes.fromhex("01100102030405060708090b")
SOURCE, TARGET = "10.77.1.1", "10.77.1.2"
SOURCE6, TARGET6 = "fd77::1", "ff02::1"
MAC = bytes.fromhex("020000000001")


def sub(kind: int, body: bytes, flags: int = 0, order: str = "<", length: int | None = None) -> bytes:
    """A submessage; `length` overrides octetsToNextHeader."""
    flags |= order == "<"
    return struct.pack(order + "BBH", kind, flags, len(body) if length is None else length) + body


def number(value: int, order: str = "<") -> bytes:
    return struct.pack(order + "iI", value >> 32, value & 0xFFFFFFFF)


def data(
    sequence: int = 1,
    payload: bytes = b"\0\1\0\0abcd",
    qos: bytes = b"",
    writer: int = 0x103,
    order: str = "<",
    flags: int = 4,
) -> bytes:
    """DATA (9.4.5.4)."""
    head = struct.pack(order + "HH", 0, 16) + struct.pack(">II", 0, writer) + number(sequence, order)
    return sub(0x15, head + qos + payload, flags | (2 if qos else 0), order)


def heartbeat(
    first: int, last: int, count: int = 1, writer: int = 0x103, order: str = "<", flags: int = 0
) -> bytes:
    body = struct.pack(">II", 0, writer) + number(first, order) + number(last, order)
    return sub(0x07, body + struct.pack(order + "I", count), flags, order)


def message(*subs: bytes, prefix: bytes = PREFIX) -> bytes:
    """An RTPS message (9.4.4)."""
    return b"RTPS\2\5\1\x0f" + prefix + b"".join(subs)


def udp(payload: bytes, source: int = 40000, target: int = 7411, length: int | None = None) -> bytes:
    return struct.pack(">HHHH", source, target, 8 + len(payload) if length is None else length, 0) + payload


class Ip4(NamedTuple):
    """What is rarely different in an IPv4 header; `total` overrides the total length."""

    protocol: int = 17
    total: int | None = None
    options: bytes = b""


def ipv4(
    body: bytes,
    source: str = SOURCE,
    target: str = TARGET,
    ident: int = 1,
    place: int = 0,
    more: bool = False,
    head: Ip4 = Ip4(),  # noqa: B008 - immutable
) -> bytes:
    """`place` in octets."""
    words = 5 + len(head.options) // 4
    length = words * 4 + len(body) if head.total is None else head.total
    fragment = place // 8 | (0x2000 if more else 0)
    start = struct.pack(">BBHHHBBH", 0x40 | words, 0, length, ident, fragment, 64, head.protocol, 0)
    return start + IPv4Address(source).packed + IPv4Address(target).packed + head.options + body


def ipv6(
    body: bytes, source: str = SOURCE6, target: str = TARGET6, protocol: int = 17, length: int | None = None
) -> bytes:
    start = struct.pack(">IHBB", 6 << 28, len(body) if length is None else length, protocol, 32)
    return start + IPv6Address(source).packed + IPv6Address(target).packed + body


def ethernet(body: bytes, kind: int = 0x0800, source: bytes = MAC) -> bytes:
    return b"\2\0\0\0\0\2" + source + struct.pack(">H", kind) + body


def record(
    frame: bytes, time_ns: int = 0, length: int | None = None, order: str = "<", unit: int = 1000
) -> bytes:
    """A pcap record; `length`: octets as sent, where the frame is cut."""
    seconds, rest = divmod(time_ns, 10**9)
    return struct.pack(order + "IIII", seconds, rest // unit, len(frame), length or len(frame)) + frame


def pcap(*records: bytes, link: int = 1, order: str = "<", unit: int = 1000) -> bytes:
    magic = {1000: 0xA1B2C3D4, 1: 0xA1B23C4D}[unit]
    return struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, 262144, link) + b"".join(records)


def capture(*frames: bytes, link: int = 1, step_ns: int = 1000) -> bytes:
    """A plain capture of frames, a microsecond apart, that begins at second 1."""
    return pcap(*(record(f, 10**9 + i * step_ns) for i, f in enumerate(frames)), link=link)


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    """A pcapng block."""
    body += bytes(-len(body) % 4)
    length = len(body) + 12
    return struct.pack(order + "II", kind, length) + body + struct.pack(order + "I", length)


def section(order: str = "<") -> bytes:
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def option(code: int, value: bytes, order: str = "<") -> bytes:
    return struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)


def interface(link: int = 1, snap: int = 0, options: bytes = b"", order: str = "<") -> bytes:
    return block(1, struct.pack(order + "HHI", link, 0, snap) + options, order)


def packet(frame: bytes, ticks: int = 0, nic: int = 0, length: int | None = None, order: str = "<") -> bytes:
    """An enhanced packet block."""
    numbers = (nic, ticks >> 32, ticks & 0xFFFFFFFF, len(frame), length or len(frame))
    return block(6, struct.pack(order + "IIIII", *numbers) + frame, order)


def plain() -> bytes:
    """An Ethernet frame with one sound RTPS message."""
    return ethernet(ipv4(udp(message(data(1), heartbeat(1, 1)))))
