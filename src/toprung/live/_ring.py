# cython: boundscheck=True, wraparound=False, initializedcheck=False
# mypy: ignore-errors
# (C types: Cython checks them)
"""Blocks of a packet socket's ring -> enhanced packet blocks of pcapng.

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.  The ring is
Linux's TPACKET_V3 (Documentation/networking/packet_mmap.rst, linux/if_packet.h); what is written follows
draft-ietf-opsawg-pcapng, 4.3, and for cooked packets LINKTYPE_LINUX_SLL2.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

if not cython.compiled:
    from toprung.live._store import copy, put32
    from toprung.wire._bytes import u16le, u32le

# struct tpacket_block_desc with tpacket_hdr_v1
B_PACKETS = cython.declare(cython.int, 12)
B_FIRST = cython.declare(cython.int, 16)

# struct tpacket3_hdr, struct sockaddr_ll behind it
P_NEXT = cython.declare(cython.int, 0)
P_SECONDS = cython.declare(cython.int, 4)
P_NANOSECONDS = cython.declare(cython.int, 8)
P_CAPTURED = cython.declare(cython.int, 12)
P_LENGTH = cython.declare(cython.int, 16)
P_STATUS = cython.declare(cython.int, 20)
P_LINK = cython.declare(cython.int, 24)
P_TAG = cython.declare(cython.int, 32)
P_TAG_KIND = cython.declare(cython.int, 36)
L_PROTOCOL = cython.declare(cython.int, 50)
L_INTERFACE = cython.declare(cython.int, 52)
L_HARDWARE = cython.declare(cython.int, 56)
L_WAY = cython.declare(cython.int, 58)
L_ADDRESS_LENGTH = cython.declare(cython.int, 59)
L_ADDRESS = cython.declare(cython.int, 60)

TAGGED = cython.declare(cython.uint, 1 << 4)  # TP_STATUS_VLAN_VALID
TAG_KIND_TOLD = cython.declare(cython.uint, 1 << 6)  # TP_STATUS_VLAN_TPID_VALID
VLAN = cython.declare(cython.uint, 0x8100)
OUTGOING = cython.declare(cython.int, 4)  # PACKET_OUTGOING

PACKET = cython.declare(cython.uint, 6)  # enhanced packet block
FLAGS = cython.declare(cython.uint, 2 | 4 << 16)  # option epb_flags, 4 octets long
INBOUND = cython.declare(cython.uint, 1)
OUTBOUND = cython.declare(cython.uint, 2)
RECEPTIONS = cython.declare(cython.uint, 0x4231)  # by PACKET_HOST, _BROADCAST, _MULTICAST, _OTHERHOST
COOKED_HEAD = cython.declare(cython.Py_ssize_t, 20)
MACS = cython.declare(cython.Py_ssize_t, 12)
AROUND = cython.declare(cython.Py_ssize_t, 44)  # octets of a block besides the packet, flags included
BILLION = cython.declare(cython.longlong, 1_000_000_000)
ONES = cython.declare(cython.uint, 0xFFFFFFFF)


class Ring:
    """Writes what one interface's blocks hold into `out`, which is used again for every block.

    interface: its number in the capture.  ethernet: packets come with their Ethernet header, else cooked.
    offset_ns: added to every time.
    """

    def __init__(self, out: Any, interface: Any, ethernet: Any, offset_ns: Any) -> None:
        self.out = out
        self.interface = interface
        self.ethernet = ethernet
        self.offset_ns = offset_ns
        self.packets = 0
        self.last_ns = 0

    def write(self, block: Any) -> Any:
        """One block of the ring; how many octets were written.

        A block needs less room in `out` than in the ring, whose headers are larger.
        """
        written: cython.Py_ssize_t
        self.data = block
        with cython.nogil:
            written = self._run()
        self.data = b""
        return written

    def _run(self):
        packet: cython.Py_ssize_t = u32le(self.data, B_FIRST)
        step: cython.Py_ssize_t
        at: cython.Py_ssize_t = 0
        count: cython.uint = u32le(self.data, B_PACKETS)
        _number: cython.uint
        for _number in range(count):
            at = self._packet(packet, at)
            step = u32le(self.data, packet + P_NEXT)
            if step == 0:
                break
            packet += step
        return at

    def _packet(self, packet, at):
        """One packet at `packet` of the ring -> one block at `at`; where it ends."""
        captured: cython.Py_ssize_t = u32le(self.data, packet + P_CAPTURED)
        extra: cython.Py_ssize_t
        total: cython.Py_ssize_t
        time: cython.ulonglong
        way: cython.int = u16le(self.data, packet + L_WAY) & 0xFF
        flags: cython.uint
        if at + captured + AROUND + COOKED_HEAD + 3 > self.out.shape[0]:
            return at
        time = (
            cython.cast(cython.longlong, u32le(self.data, packet + P_SECONDS)) * BILLION
            + u32le(self.data, packet + P_NANOSECONDS)
            + self.offset_ns
        )
        self.last_ns = time
        flags = OUTBOUND
        if way != OUTGOING:
            flags = INBOUND | (RECEPTIONS >> 4 * way & 15) << 2
        extra = COOKED_HEAD
        if self.ethernet:
            extra = 4 if u32le(self.data, packet + P_STATUS) & TAGGED else 0
        total = AROUND + (captured + extra + 3) // 4 * 4
        put32(self.out, at + total - 20, 0)  # what pads the packet; before the packet comes
        if extra == 0:
            copy(self.out, at + 28, self.data, packet + u16le(self.data, packet + P_LINK), captured)
        elif self.ethernet:
            self._tagged(packet, at + 28, captured)
        else:
            self._cooked(packet, at + 28, captured)
        put32(self.out, at, PACKET)
        put32(self.out, at + 4, total)
        put32(self.out, at + 8, self.interface)
        put32(self.out, at + 12, time >> 32)
        put32(self.out, at + 16, time & ONES)
        put32(self.out, at + 20, captured + extra)
        put32(self.out, at + 24, u32le(self.data, packet + P_LENGTH) + extra)
        put32(self.out, at + total - 16, FLAGS)
        put32(self.out, at + total - 12, flags)
        put32(self.out, at + total - 8, 0)  # end of options
        put32(self.out, at + total - 4, total)
        self.packets += 1
        return at + total

    def _tagged(self, packet, at, captured):
        """An Ethernet frame whose VLAN tag the kernel took out: put back (IEEE 802.1Q)."""
        begin: cython.Py_ssize_t = packet + u16le(self.data, packet + P_LINK)
        kind: cython.uint = VLAN
        tag: cython.uint = u32le(self.data, packet + P_TAG)
        macs: cython.Py_ssize_t = min(captured, MACS)
        if u32le(self.data, packet + P_STATUS) & TAG_KIND_TOLD:
            kind = u16le(self.data, packet + P_TAG_KIND)
        copy(self.out, at, self.data, begin, macs)
        put32(
            self.out, at + macs, kind >> 8 | (kind & 0xFF) << 8 | (tag >> 8 & 0xFF) << 16 | (tag & 0xFF) << 24
        )
        copy(self.out, at + macs + 4, self.data, begin + macs, captured - macs)
        return 0

    def _cooked(self, packet, at, captured):
        """LINKTYPE_LINUX_SLL2: protocol, interface index, kind of hardware, way, address; then the packet."""
        index: cython.uint = u32le(self.data, packet + L_INTERFACE)
        put32(self.out, at, u16le(self.data, packet + L_PROTOCOL))  # in network order already
        put32(
            self.out, at + 4, index >> 24 | index >> 8 & 0xFF00 | (index & 0xFF00) << 8 | (index & 0xFF) << 24
        )
        put32(
            self.out,
            at + 8,
            u16le(self.data, packet + L_HARDWARE) >> 8
            | (u16le(self.data, packet + L_HARDWARE) & 0xFF) << 8
            | u16le(self.data, packet + L_WAY) << 16,
        )
        copy(self.out, at + 12, self.data, packet + L_ADDRESS, 8)
        copy(self.out, at + 20, self.data, packet + u16le(self.data, packet + P_LINK), captured)
        return 0
