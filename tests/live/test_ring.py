"""The kernel that walks a packet socket's ring, compiled and as it is written."""

from __future__ import annotations

import importlib.util
import struct
from pathlib import Path

import pytest

from toprung.live import _ring
from toprung.live.sections import interface, section
from toprung.wire.scan import Scan


def ring_block(packets):
    """A TPACKET_V3 block as linux/if_packet.h has it: (frame, captured, vlan, way) each."""
    body, first = bytearray(), 48
    for place, (frame, length, tag, way) in enumerate(packets):
        status = 1 | (1 << 4 | 1 << 6 if tag else 0)
        mac = 80
        size = (mac + len(frame) + 15) // 16 * 16
        last = place == len(packets) - 1
        head = struct.pack(
            "=IIIIII", 0 if last else size, 1_760_000_000, 5 + place, len(frame), length, status
        )
        head += struct.pack("=HHIIHH8x", mac, mac + 14, 0, tag, 0x88A8 if tag else 0, 0)
        head += (
            struct.pack("=H", 17)
            + struct.pack(">H", 0x0800)
            + struct.pack("=iHBB8s", 3, 1, way, 6, b"\2abcde")
        )
        body += (head.ljust(mac, b"\xee") + frame).ljust(size, b"\xee")
    described = struct.pack("=IIIIIIQ8x8x", 1, 48, 1, len(packets), first, first + len(body), 1)
    return memoryview(bytes((described + body).ljust(1 << 12, b"\0")))


FRAME = b"\2\0\0\0\0\2\2\0\0\0\0\1\x08\0" + bytes(range(45))
PACKETS = [
    (FRAME, 59, 0, 0),
    (FRAME[:-1], 1500, 7, 1),
    (FRAME[:-2], 58, 0, 2),
    (FRAME[:20], 20, 0, 3),
    (b"", 60, 0, 4),
]


def plain_ring():
    spec = importlib.util.spec_from_file_location("plain_ring", Path(_ring.__file__).parent / "_ring.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.Ring


def written(ring, ethernet, out_bytes=1 << 13):
    out = memoryview(bytearray(b"\xaa" * out_bytes))
    walker = ring(out, 2, ethernet, 10)
    size = walker.write(ring_block(PACKETS))
    return bytes(out[:size]), walker.packets


def blocks_of(capture):
    """Enhanced packet blocks: (interface, ticks, length, packet, flags)."""
    at = 0
    while at < len(capture):
        kind, total, nic, high, low, captured, length = struct.unpack_from("<7I", capture, at)
        assert kind == 6
        assert capture[at + total - 4 : at + total] == total.to_bytes(4, "little")
        packet, padding = capture[at + 28 : at + 28 + captured], -captured % 4
        rest = capture[at + 28 + captured : at + total - 4]
        assert rest[:padding] == bytes(padding)
        code, size, flags, end = struct.unpack("<HHII", rest[padding:])
        assert (code, size, end) == (2, 4, 0)
        yield nic, high << 32 | low, length, packet, flags
        at += total


@pytest.mark.parametrize("ethernet", [True, False])
def test_a_ring_block_becomes_packet_blocks(ethernet):
    """draft-ietf-opsawg-pcapng 4.3: epb_flags 1 inbound, 2 outbound; from bit 2 the kind of reception."""
    compiled, uncompiled = (written(ring, ethernet) for ring in (_ring.Ring, plain_ring()))
    assert compiled == uncompiled
    found = list(blocks_of(compiled[0]))
    assert compiled[1] == len(found) == 5
    assert [flags for *_, flags in found] == [1 | 1 << 2, 1 | 3 << 2, 1 | 2 << 2, 1 | 4 << 2, 2]
    assert {nic for nic, *_ in found} == {2}
    assert [ticks % 10**9 for _, ticks, *_ in found] == [15, 16, 17, 18, 19]
    tag = bytes.fromhex("88a80007")
    if ethernet:
        assert [p for *_, p, _ in found] == [
            FRAME,
            FRAME[:12] + tag + FRAME[12:-1],
            FRAME[:-2],
            FRAME[:20],
            b"",
        ]
        assert [length for _, _, length, *_ in found] == [59, 1504, 58, 20, 60]
    else:
        for way, (packet, *_) in enumerate(p[3:] for p in found):
            head = struct.pack(">HHIHBB8s", 0x0800, 0, 3, 1, way, 6, b"\2abcde")  # LINKTYPE_LINUX_SLL2
            assert packet == head + PACKETS[way][0]
        assert [length for _, _, length, *_ in found] == [79, 1520, 78, 40, 80]


def test_what_does_not_fit_is_left_out_whole():
    whole = list(blocks_of(written(_ring.Ring, True)[0]))
    for room in (0, 50, 160, 300, 400):
        part, count = written(_ring.Ring, True, room)
        assert [b for b in whole if b in set(blocks_of(part))] == list(blocks_of(part))
        assert len(list(blocks_of(part))) == count < 5


def test_the_head_of_a_capture_is_read_back():
    scan = Scan(section() + interface("usb0", 1, 96) + interface("any", 276, 96))
    assert [block.n_messages for block in scan.blocks()] == []
    assert scan.summary.tail is None
