# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""Datagrams by sender and destination, and the load over time by source address.

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

from toprung.observe import records
from toprung.observe.records import StreamField
from toprung.wire.columns import NO_TIME, MessageFlag

if not cython.compiled:
    from toprung.observe._keys import Keys, tally
    from toprung.observe._rows import Rows

TIMELESS = cython.declare(cython.longlong, NO_TIME)
MULTICAST = cython.declare(cython.int, int(MessageFlag.MULTICAST))
FRAGMENTED = cython.declare(cython.int, int(MessageFlag.FRAGMENTED))
INCOMPLETE = cython.declare(cython.int, int(MessageFlag.INCOMPLETE))
DISCOVERY = cython.declare(cython.int, int(MessageFlag.DISCOVERY))
DATA = cython.declare(cython.int, int(MessageFlag.DATA))
LOAD_BINS = cython.declare(cython.longlong, records.LOAD_BINS)
M_DISCOVERY = cython.declare(cython.Py_ssize_t, StreamField.DISCOVERY)
M_DATA = cython.declare(cython.Py_ssize_t, StreamField.DATA)
M_FRAGMENTED = cython.declare(cython.Py_ssize_t, StreamField.FRAGMENTED)
M_INCOMPLETE = cython.declare(cython.Py_ssize_t, StreamField.INCOMPLETE)
M_ANY = cython.declare(cython.Py_ssize_t, StreamField.ANY)
M_LARGEST = cython.declare(cython.Py_ssize_t, StreamField.LARGEST)
M_TTL = cython.declare(cython.Py_ssize_t, StreamField.TTL)
M_VENDOR = cython.declare(cython.Py_ssize_t, StreamField.VENDOR)
M_MULTICAST = cython.declare(cython.Py_ssize_t, StreamField.MULTICAST)
M_PIECES = cython.declare(cython.Py_ssize_t, StreamField.PIECES)


@cython.final
@cython.cclass
class Streams:
    """Datagrams by sender and destination, and the load over time by source address."""

    keys: Keys
    lanes: Keys
    record: cython.longlong[:, ::1]
    loads: cython.longlong[:, :, ::1]
    start_ns: cython.longlong
    bin_ns: cython.longlong

    def __init__(self, keys: Keys, lanes: Keys, arrays: dict[str, Any], bin_ns: int) -> None:
        self.keys = keys
        self.lanes = lanes
        self.record = memoryview(arrays["record"])
        self.loads = memoryview(arrays["loads"])
        self.start_ns = TIMELESS
        self.bin_ns = bin_ns

    def clock(self) -> tuple[int, int]:
        """Start of the first load bin and width of every one, ns."""
        return self.start_ns, self.bin_ns

    def feed(self, rows: Rows) -> None:
        """Fold one block's datagrams."""
        with cython.nogil:
            self._feed(rows)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _feed(self, rows: Rows) -> cython.int:
        m: cython.Py_ssize_t
        k: cython.Py_ssize_t
        flags: cython.int
        guid: cython.ulonglong
        there: cython.ulonglong
        for m in range(rows.messages):
            flags = rows.message_flags[m]
            self._load(rows, m, flags)
            guid = (cython.cast(cython.ulonglong, rows.prefix[m]) << 32) | rows.source[m]
            there = (cython.cast(cython.ulonglong, rows.target[m]) << 32) | rows.target_port[m]
            k = self.keys.find(guid, there, rows.interface[m] << 2 | ((flags >> 4) & 3), True)
            if k >= 0:
                self._count(rows, m, k, flags)
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _count(self, rows: Rows, m: cython.Py_ssize_t, k: cython.Py_ssize_t, flags: cython.int) -> cython.int:
        t: cython.longlong = rows.time_ns[m]
        p: cython.longlong = rows.packet[m]
        size: cython.longlong = rows.size[m]
        tally(self.record, k, M_ANY, t, p, size)
        if flags & DATA:
            tally(self.record, k, M_DATA, t, p, size)
        elif flags & DISCOVERY:
            tally(self.record, k, M_DISCOVERY, t, p, size)
        if flags & FRAGMENTED:
            tally(self.record, k, M_FRAGMENTED, t, p, size)
        if flags & INCOMPLETE:
            tally(self.record, k, M_INCOMPLETE, t, p, size)
            self.record[k, M_PIECES] += rows.ip_fragments[m]
        elif size > self.record[k, M_LARGEST]:
            self.record[k, M_LARGEST] = size
        self.record[k, M_TTL] = rows.ttl[m]
        self.record[k, M_VENDOR] = rows.vendor[m]
        self.record[k, M_MULTICAST] |= flags & MULTICAST
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _load(self, rows: Rows, m: cython.Py_ssize_t, flags: cython.int) -> cython.int:
        """Add a datagram to its source's load; bins grow twice as wide when the capture outgrows them."""
        t: cython.longlong = rows.time_ns[m]
        if self.start_ns == TIMELESS:
            self.start_ns = t
        if t < self.start_ns:
            t = self.start_ns
        while (t - self.start_ns) // self.bin_ns >= LOAD_BINS:
            self._widen()
        lane: cython.Py_ssize_t = self.lanes.find(rows.source[m], (flags >> 4) & 3, 0, True)
        if lane < 0:
            return 0
        b: cython.Py_ssize_t = (t - self.start_ns) // self.bin_ns
        if flags & DATA:
            self.loads[lane, b, 2] += 1
            self.loads[lane, b, 3] += rows.wire_bytes[m]
        else:
            self.loads[lane, b, 0] += 1
            self.loads[lane, b, 1] += rows.wire_bytes[m]
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _widen(self) -> cython.int:
        lane: cython.Py_ssize_t
        b: cython.Py_ssize_t
        c: cython.Py_ssize_t
        half: cython.Py_ssize_t = LOAD_BINS >> 1
        for lane in range(self.lanes.used):
            for b in range(half):
                for c in range(4):
                    self.loads[lane, b, c] = self.loads[lane, 2 * b, c] + self.loads[lane, 2 * b + 1, c]
            for b in range(half, LOAD_BINS):
                for c in range(4):
                    self.loads[lane, b, c] = 0
        self.bin_ns *= 2
        return 0
