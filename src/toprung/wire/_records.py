# cython: boundscheck=True, wraparound=False, initializedcheck=False
# mypy: ignore-errors
# (C types: Cython checks them)
"""Capture records as columns: where each packet's bytes stand, and when they were captured.

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.  Knows
pcap records (draft-ietf-opsawg-pcap) and the blocks of pcapng that carry packets
(draft-ietf-opsawg-pcapng, section 4); headers, sections and interfaces are left to `capture`.
"""

from __future__ import annotations

from typing import Any

from toprung.wire.columns import MessageFlag

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

if not cython.compiled:
    from toprung.wire._bytes import fetch, u16, u32, words

MORE = cython.declare(cython.int, 0)  # the bytes end inside a record
FULL = cython.declare(cython.int, 1)  # the columns are full
SPECIAL = cython.declare(cython.int, 2)  # a pcapng section or interface block stands at `at`
GIGANTIC = cython.declare(cython.int, 3)  # a record claims a length that cannot be
BROKEN = cython.declare(cython.int, 4)  # a pcapng block's lengths contradict each other

# Headers alone are read here, each telling where the next stands: memory would be waited for at every one.
LINE = cython.declare(cython.int, 64)
AHEAD = cython.declare(cython.int, 2048)  # octets

FLAGS = cython.declare(cython.int, 2)  # option epb_flags
OVERHEARD = cython.declare(cython.uint, 4)  # reception type: promiscuous, not addressed to this machine
OUTGOING = cython.declare(cython.int, int(MessageFlag.OUTGOING))
INCOMING = cython.declare(cython.int, int(MessageFlag.INCOMING))

MAX_RECORD = cython.declare(cython.longlong, 1 << 24)
SECTION = cython.declare(cython.uint, 0x0A0D0D0A)
INTERFACE = cython.declare(cython.uint, 1)
OLD_PACKET = cython.declare(cython.uint, 2)
SIMPLE_PACKET = cython.declare(cython.uint, 3)
PACKET = cython.declare(cython.uint, 6)
ONES = cython.declare(cython.uint, 0xFFFFFFFF)
POSITIVE = cython.declare(cython.ulonglong, (1 << 63) - 1)


class Records:
    """One block of records.  `time_ns`, `at`, `captured`, `length`, `interface`, `way`: parallel columns.

    `scale` is a table of four numbers an interface: multiplier, divisor, binary shift (0: decimal) and
    offset in seconds; `snap` its snapshot length (0: none).
    """

    def __init__(self, columns: Any, limit: Any) -> None:
        self.time_ns = columns["time_ns"]
        self.at = columns["at"]
        self.captured = columns["captured"]
        self.length = columns["length"]
        self.interface = columns["interface"]
        self.way = columns["way"]
        self.limit = limit
        self.last_ns = 0
        self.earliest = POSITIVE
        self.latest = 0
        self.count = 0
        self.undeclared = 0
        self.status = MORE
        self.wanted = 0
        self.little = True  # until a section says otherwise

    def attach(self, data: Any) -> None:
        """The bytes that `at` counts from."""
        self.data = data

    def declare(self, little: Any, scale: Any, snap: Any) -> None:
        """Byte order and interfaces of what follows."""
        self.little = little
        self.scale = scale
        self.snap = snap

    def read(self, at: Any, end: Any, fraction_ns: Any) -> Any:
        """One batch of records from `at` on; where reading stopped, `status` says why.

        fraction_ns: what a pcap's fractions of seconds count; 0: blocks of pcapng.
        """
        begin: cython.Py_ssize_t = at
        stop: cython.Py_ssize_t = end
        scale: cython.longlong = fraction_ns
        with cython.nogil:
            begin = self._read(begin, stop, scale)
        return begin

    def _read(self, at, end, scale):
        return self._pcap(at, end, scale) if scale != 0 else self._pcapng(at, end)

    def _pcap(self, at, end, scale):
        row: cython.Py_ssize_t = 0
        seconds: cython.longlong
        captured: cython.longlong
        stamp: cython.ulonglong
        lengths: cython.ulonglong
        ahead: cython.Py_ssize_t = at
        self.status = FULL
        while row < self.limit:
            while ahead < at + AHEAD:
                fetch(self.data, ahead)
                ahead += LINE
            self.wanted = 16
            if at + 16 > end:
                self.status = MORE
                break
            lengths = words(self.data, self.little, at + 8)
            captured = lengths >> 32
            self.wanted = 16 + captured
            if captured > MAX_RECORD:
                self.status = GIGANTIC
                break
            if at + 16 + captured > end:
                self.status = MORE
                break
            stamp = words(self.data, self.little, at)
            seconds = stamp >> 32
            seconds = seconds * 1_000_000_000 + cython.cast(cython.longlong, stamp & ONES) * scale
            self.earliest = min(self.earliest, seconds)
            self.latest = max(self.latest, seconds)
            self.time_ns[row] = seconds
            self.at[row] = at + 16
            self.captured[row] = captured
            self.length[row] = max(captured, cython.cast(cython.longlong, lengths & ONES))
            self.interface[row] = 0
            self.way[row] = 0
            row += 1
            at += 16 + captured
        self.count = row
        return at

    def _pcapng(self, at, end):
        kind: cython.uint
        total: cython.longlong
        self.count = 0
        self.status = FULL
        while self.count < self.limit:
            self.wanted = 12
            if at + 12 > end:
                self.status = MORE
                break
            kind = u32(self.data, self.little, at)
            if kind == SECTION:  # the same in both byte orders; its length may be in the other one
                self.status = SPECIAL
                break
            total = u32(self.data, self.little, at + 4)
            self.wanted = total
            if total > MAX_RECORD:
                self.status = GIGANTIC
                break
            if total < 12 or total & 3:
                self.status = BROKEN
                break
            if at + total > end:
                self.status = MORE
                break
            if kind == INTERFACE:
                self.status = SPECIAL
                break
            if u32(self.data, self.little, at + total - 4) != total:
                self.status = BROKEN
                break
            if kind in (PACKET, SIMPLE_PACKET, OLD_PACKET):
                self._block(kind, at + 8, total - 12)
            at += total
        return at

    def _block(self, kind, body, size):
        """One packet: enhanced (4.3), simple (4.4, no time: takes the last one's) or the old kind (A)."""
        head: cython.longlong = 4 if kind == SIMPLE_PACKET else 20
        interface: cython.uint = 0
        captured: cython.longlong
        length: cython.longlong
        if size < head:
            self.undeclared += 1
            return 0
        if kind == PACKET:
            interface = u32(self.data, self.little, body)
        elif kind == OLD_PACKET:
            interface = u16(self.data, self.little, body)
        if interface >= self.snap.shape[0]:
            self.undeclared += 1
            return 0
        if kind == SIMPLE_PACKET:
            length = u32(self.data, self.little, body)
            captured = length
            if self.snap[0] != 0 and captured > self.snap[0]:
                captured = self.snap[0]
        else:
            captured = u32(self.data, self.little, body + 12)
            length = u32(self.data, self.little, body + 16)
            self.last_ns = self._time(
                interface, u32(self.data, self.little, body + 4), u32(self.data, self.little, body + 8)
            )
        captured = min(captured, size - head)
        self.earliest = min(self.earliest, self.last_ns)
        self.latest = max(self.latest, self.last_ns)
        self.time_ns[self.count] = self.last_ns
        self.at[self.count] = body + head
        self.captured[self.count] = captured
        self.length[self.count] = max(captured, length)
        self.interface[self.count] = interface
        self.way[self.count] = (
            self._way(body + head + (captured + 3) // 4 * 4, body + size) if kind == PACKET else 0
        )
        self.count += 1
        return 1

    def _way(self, at, end):
        """Direction bits of `MessageFlag`, where the first option behind the packet is epb_flags (4.3.1)."""
        flags: cython.uint
        if (
            at + 8 > end
            or u16(self.data, self.little, at) != FLAGS
            or u16(self.data, self.little, at + 2) != 4
        ):
            return 0
        flags = u32(self.data, self.little, at + 4)
        if flags & 3 == 2:
            return OUTGOING
        return INCOMING if flags & 3 == 1 and flags >> 2 & 7 != OVERHEARD else 0

    def _time(self, interface, high, low):
        """if_tsresol and if_tsoffset (4.2); the sign bit is dropped, whatever the bytes say."""
        ticks: cython.ulonglong = high << 32 | low
        multiplier: cython.longlong = self.scale[4 * interface]
        divisor: cython.longlong = self.scale[4 * interface + 1]
        shift: cython.longlong = self.scale[4 * interface + 2]
        offset: cython.longlong = self.scale[4 * interface + 3]
        seconds: cython.ulonglong
        nanoseconds: cython.ulonglong
        if shift > 0:
            seconds = ticks >> shift
            nanoseconds = ticks - (seconds << shift)
            if shift > 32:
                nanoseconds >>= shift - 32
                shift = 32
            nanoseconds = nanoseconds * 1_000_000_000 >> shift
        else:
            seconds = 0
            nanoseconds = ticks // cython.cast(cython.ulonglong, divisor) * multiplier
        return ((seconds + offset) * 1_000_000_000 + nanoseconds) & POSITIVE
