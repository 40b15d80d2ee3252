# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
"""The fold kernels: blocks of columns in, fixed-size records out.  O(rows), no allocation while folding.

Compiled by Cython in pure-Python mode; uncompiled the same file is oracle and fallback.  All folds stand in
this one file because they share inline helpers, which Cython inlines within a module only.

Keys are three 64-bit words in an open-addressing table (linear probing, at most half full).  Bitmaps of
sequence numbers are rings of WINDOW bits, indexed by the number modulo WINDOW.  Sequence numbers outside
1 .. 2**62 are ignored.
"""

from __future__ import annotations

from typing import Any

import cython
import numpy as np

from toprung.observe import records
from toprung.observe.records import SampleField, StreamField, TalkField

COMPILED = cython.compiled

MASK64 = cython.declare(cython.ulonglong, 0xFFFFFFFFFFFFFFFF)
LOW = cython.declare(cython.ulonglong, (1 << 32) - 1)
ONE = cython.declare(cython.ulonglong, 1)
MIX_A = cython.declare(cython.ulonglong, 0x9E3779B97F4A7C15)  # Steele, Lea and Flood 2014 (SplitMix64)
MIX_B = cython.declare(cython.ulonglong, 0xBF58476D1CE4E5B9)
MIX_C = cython.declare(cython.ulonglong, 0x94D049BB133111EB)
MOST_SEQUENCE = cython.declare(cython.longlong, 1 << 62)
NO_TIME = cython.declare(cython.longlong, -(1 << 63))
SECOND = cython.declare(cython.longlong, 1_000_000_000)

WINDOW = cython.declare(cython.longlong, records.WINDOW)
SLOTS = cython.declare(cython.Py_ssize_t, records.ASSEMBLY_SLOTS)
MOST_FRAGMENTS = cython.declare(cython.longlong, records.ASSEMBLY_FRAGMENTS)
HOLES = cython.declare(cython.longlong, records.HOLES)
LOAD_BINS = cython.declare(cython.longlong, records.LOAD_BINS)
FLOOR_BITS = cython.declare(cython.int, records.FLOOR_BITS)
SUB_BITS = cython.declare(cython.int, records.SUB_BITS)
BINS = cython.declare(cython.Py_ssize_t, records.BINS)
MOST_CHAIN = cython.declare(
    cython.Py_ssize_t, 1_024
)  # dialogues of one writer that a multicast heartbeat reaches

# the columns of the records; see records.py for their meaning
S_ROWS = cython.declare(cython.Py_ssize_t, SampleField.ROWS)
S_BYTES = cython.declare(cython.Py_ssize_t, SampleField.BYTES)
S_FIRST_NS = cython.declare(cython.Py_ssize_t, SampleField.FIRST_NS)
S_FIRST_PACKET = cython.declare(cython.Py_ssize_t, SampleField.FIRST_PACKET)
S_LAST_NS = cython.declare(cython.Py_ssize_t, SampleField.LAST_NS)
S_LAST_PACKET = cython.declare(cython.Py_ssize_t, SampleField.LAST_PACKET)
S_START = cython.declare(cython.Py_ssize_t, SampleField.START)
S_LEAST = cython.declare(cython.Py_ssize_t, SampleField.LEAST)
S_LAST = cython.declare(cython.Py_ssize_t, SampleField.LAST)
S_TOP = cython.declare(cython.Py_ssize_t, SampleField.TOP)
S_WHOLE = cython.declare(cython.Py_ssize_t, SampleField.WHOLE)
S_PARTIAL = cython.declare(cython.Py_ssize_t, SampleField.PARTIAL)
S_EARLIER = cython.declare(cython.Py_ssize_t, SampleField.EARLIER)
S_REPEATS = cython.declare(cython.Py_ssize_t, SampleField.REPEATS)
S_EXCUSED = cython.declare(cython.Py_ssize_t, SampleField.EXCUSED)
S_NEWEST = cython.declare(cython.Py_ssize_t, SampleField.NEWEST)
S_NEWS = cython.declare(cython.Py_ssize_t, SampleField.NEWS)
S_NEWS_FIRST_NS = cython.declare(cython.Py_ssize_t, SampleField.NEWS_FIRST_NS)
S_NEWS_LAST_NS = cython.declare(cython.Py_ssize_t, SampleField.NEWS_LAST_NS)
S_BETWEEN_LEAST = cython.declare(cython.Py_ssize_t, SampleField.BETWEEN_LEAST)
S_BETWEEN_MOST = cython.declare(cython.Py_ssize_t, SampleField.BETWEEN_MOST)
S_BETWEEN_COUNT = cython.declare(cython.Py_ssize_t, SampleField.BETWEEN_COUNT)
S_AGE_BASE = cython.declare(cython.Py_ssize_t, SampleField.AGE_BASE)
S_AGE_LEAST = cython.declare(cython.Py_ssize_t, SampleField.AGE_LEAST)
S_AGE_MOST = cython.declare(cython.Py_ssize_t, SampleField.AGE_MOST)
S_AGE_COUNT = cython.declare(cython.Py_ssize_t, SampleField.AGE_COUNT)
S_SIZE_COMMON = cython.declare(cython.Py_ssize_t, SampleField.SIZE_COMMON)
S_SIZE_VOTES = cython.declare(cython.Py_ssize_t, SampleField.SIZE_VOTES)
S_SIZE_LARGEST = cython.declare(cython.Py_ssize_t, SampleField.SIZE_LARGEST)
S_FRAGMENTS = cython.declare(cython.Py_ssize_t, SampleField.FRAGMENTS)
S_HOLES = cython.declare(cython.Py_ssize_t, SampleField.HOLES)
S_SOURCE = cython.declare(cython.Py_ssize_t, SampleField.SOURCE)
S_MULTICAST = cython.declare(cython.Py_ssize_t, SampleField.MULTICAST)
S_ASSEMBLY = cython.declare(cython.Py_ssize_t, SampleField.ASSEMBLY)
S_NEXT = cython.declare(cython.Py_ssize_t, SampleField.NEXT)

T_BEATS = cython.declare(cython.Py_ssize_t, TalkField.BEATS)
T_ACKS = cython.declare(cython.Py_ssize_t, TalkField.ACKS)
T_ASKED = cython.declare(cython.Py_ssize_t, TalkField.ASKED)
T_WRITTEN = cython.declare(cython.Py_ssize_t, TalkField.WRITTEN)
T_ACKNOWLEDGED = cython.declare(cython.Py_ssize_t, TalkField.ACKNOWLEDGED)
T_DEMANDS = cython.declare(cython.Py_ssize_t, TalkField.DEMANDS)
T_DEMAND_FIRST_NS = cython.declare(cython.Py_ssize_t, TalkField.DEMAND_FIRST_NS)
T_DEMAND_LAST_NS = cython.declare(cython.Py_ssize_t, TalkField.DEMAND_LAST_NS)
T_BEAT_COUNT = cython.declare(cython.Py_ssize_t, TalkField.BEAT_COUNT)
T_ACK_COUNT = cython.declare(cython.Py_ssize_t, TalkField.ACK_COUNT)
T_ANSWERS = cython.declare(cython.Py_ssize_t, TalkField.ANSWERS)
T_ANSWER_LEAST = cython.declare(cython.Py_ssize_t, TalkField.ANSWER_LEAST)
T_ANSWER_MOST = cython.declare(cython.Py_ssize_t, TalkField.ANSWER_MOST)
T_NEXT = cython.declare(cython.Py_ssize_t, TalkField.NEXT)

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


def view(array: np.ndarray) -> Any:
    """What a kernel indexes: the array itself, or, uncompiled, a memoryview, whose items are plain ints."""
    return array if COMPILED else memoryview(array)


@cython.cfunc
@cython.inline
@cython.nogil
@cython.exceptval(-1)
def bin_of(value: cython.longlong) -> cython.Py_ssize_t:
    """The log histogram's bin of a non-negative value."""
    octave: cython.int = 0
    rest: cython.longlong = value >> FLOOR_BITS
    if rest <= 0:
        return 0
    step: cython.int = 32
    while step > 0:
        if rest >> step:
            rest >>= step
            octave += step
        step >>= 1
    sub: cython.longlong = (value >> (octave + FLOOR_BITS - SUB_BITS)) & ((1 << SUB_BITS) - 1)
    place: cython.longlong = (octave << SUB_BITS) + sub
    return BINS - 1 if place >= BINS else place


@cython.cfunc
@cython.inline
@cython.nogil
@cython.exceptval(-1)
def tally(
    record: cython.longlong[:, ::1],
    k: cython.Py_ssize_t,
    at: cython.Py_ssize_t,
    time_ns: cython.longlong,
    packet: cython.longlong,
    size: cython.longlong,
) -> cython.int:
    """Count one thing in six columns from `at`."""
    if record[k, at] == 0:
        record[k, at + 2] = time_ns
        record[k, at + 3] = packet
    record[k, at] += 1
    record[k, at + 1] += size
    record[k, at + 4] = time_ns
    record[k, at + 5] = packet
    return 0


@cython.final
@cython.cclass
class Rows:
    """One block's columns, bound for the kernels."""

    messages: cython.Py_ssize_t
    submessages: cython.Py_ssize_t
    time_ns: cython.longlong[::1]
    packet: cython.uint[::1]
    interface: cython.ushort[::1]
    source: cython.uint[::1]
    target: cython.uint[::1]
    target_port: cython.ushort[::1]
    ttl: cython.uchar[::1]
    message_flags: cython.uchar[::1]
    prefix: cython.uint[::1]
    vendor: cython.ushort[::1]
    size: cython.uint[::1]
    wire_bytes: cython.uint[::1]
    ip_fragments: cython.ushort[::1]
    print: cython.ulonglong[::1]
    message: cython.uint[::1]
    kind: cython.uchar[::1]
    flags: cython.uchar[::1]
    sender: cython.uint[::1]
    addressee: cython.uint[::1]
    reader: cython.uint[::1]
    writer: cython.uint[::1]
    sequence: cython.longlong[::1]
    base: cython.longlong[::1]
    extent: cython.uint[::1]
    named: cython.uint[::1]
    count: cython.uint[::1]
    fragment: cython.uint[::1]
    fragments: cython.ushort[::1]
    fragment_size: cython.ushort[::1]
    sample_size: cython.uint[::1]
    source_time_ns: cython.longlong[::1]
    payload_length: cython.uint[::1]

    def __init__(self, m: Any, s: Any, messages: int, submessages: int) -> None:
        self.messages = messages
        self.submessages = submessages
        self.time_ns = view(m.time_ns)
        self.packet = view(m.packet)
        self.interface = view(m.interface)
        self.source = view(m.source)
        self.target = view(m.target)
        self.target_port = view(m.target_port)
        self.ttl = view(m.ttl)
        self.message_flags = view(m.flags)
        self.prefix = view(m.prefix)
        self.vendor = view(m.vendor)
        self.size = view(m.size)
        self.wire_bytes = view(m.wire_bytes)
        self.ip_fragments = view(m.fragments)
        self.print = view(m.print)
        self.message = view(s.message)
        self.kind = view(s.kind)
        self.flags = view(s.flags)
        self.sender = view(s.sender)
        self.addressee = view(s.addressee)
        self.reader = view(s.reader)
        self.writer = view(s.writer)
        self.sequence = view(s.sequence)
        self.base = view(s.base)
        self.extent = view(s.extent)
        self.named = view(s.named)
        self.count = view(s.count)
        self.fragment = view(s.fragment)
        self.fragments = view(s.fragments)
        self.fragment_size = view(s.fragment_size)
        self.sample_size = view(s.sample_size)
        self.source_time_ns = view(s.source_time_ns)
        self.payload_length = view(s.payload_length)


@cython.final
@cython.cclass
class Keys:
    """Three-word keys to places 0, 1, 2, ... in the order of their first appearance."""

    words: cython.ulonglong[:, ::1]
    slots: cython.int[::1]
    used: cython.Py_ssize_t
    overflow: cython.Py_ssize_t
    limit: cython.Py_ssize_t
    mask: cython.ulonglong

    def __init__(self, words: np.ndarray) -> None:
        """`words` u8 [limit, 3], zeroed; limit a power of two."""
        self.words = view(words)
        self.limit = len(words)
        self.mask = 2 * len(words) - 1
        self.slots = view(np.zeros(2 * len(words), np.int32))
        self.used = 0
        self.overflow = 0

    def length(self) -> int:
        return self.used

    def refused(self) -> int:
        """Look-ups of keys for which there was no room."""
        return self.overflow

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-2)
    def find(
        self, a: cython.ulonglong, b: cython.ulonglong, c: cython.ulonglong, create: cython.bint
    ) -> cython.Py_ssize_t:
        """The key's place; -1 where it is not there and may not or cannot be made."""
        h: cython.ulonglong = (a * MIX_A) & MASK64
        h ^= h >> 32
        h = ((h + b) * MIX_B) & MASK64
        h ^= h >> 29
        h = ((h + c) * MIX_C) & MASK64
        at: cython.ulonglong = (h ^ (h >> 32)) & self.mask
        k: cython.Py_ssize_t = self.slots[at] - 1
        while k >= 0:
            if self.words[k, 0] == a and self.words[k, 1] == b and self.words[k, 2] == c:
                return k
            at = (at + 1) & self.mask
            k = self.slots[at] - 1
        if not create:
            return -1
        if self.used >= self.limit:
            self.overflow += 1
            return -1
        k = self.used
        self.words[k, 0] = a
        self.words[k, 1] = b
        self.words[k, 2] = c
        self.slots[at] = k + 1
        self.used += 1
        return k


@cython.final
@cython.cclass
class Samples:
    """Sequence numbers, completeness, inter-arrival, age and size of every writer's samples."""

    keys: Keys
    writers: Keys
    heads: cython.int[::1]
    record: cython.longlong[:, ::1]
    between: cython.uint[:, ::1]
    ages: cython.uint[:, :, ::1]
    whole: cython.ulonglong[:, ::1]
    partial: cython.ulonglong[:, ::1]
    excused: cython.ulonglong[:, ::1]
    holes: cython.longlong[:, :, ::1]
    assemblies: cython.longlong[:, :, ::1]
    pieces: cython.ulonglong[:, :, ::1]
    assembled: cython.Py_ssize_t

    def __init__(self, keys: Keys, writers: Keys, arrays: dict[str, np.ndarray]) -> None:
        """`arrays`: zeroed, as `toprung.observe.tables` makes them."""
        self.keys = keys
        self.writers = writers
        self.heads = view(arrays["heads"])
        self.record = view(arrays["record"])
        self.between = view(arrays["between"])
        self.ages = view(arrays["ages"])
        self.whole = view(arrays["whole"])
        self.partial = view(arrays["partial"])
        self.excused = view(arrays["excused"])
        self.holes = view(arrays["holes"])
        self.assemblies = view(arrays["assemblies"])
        self.pieces = view(arrays["pieces"])
        self.assembled = 0

    def feed(self, rows: Rows) -> None:
        """Fold one block's DATA, DATA_FRAG and GAP of user writers."""
        with cython.nogil:
            self._feed(rows)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _feed(self, rows: Rows) -> cython.int:
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        k: cython.Py_ssize_t
        kind: cython.int
        cut: cython.bint
        for i in range(rows.submessages):
            kind = rows.kind[i]
            if kind == 0x08:
                self._gap(rows, i)
                continue
            if (kind != 0x15 and kind != 0x16) or (rows.writer[i] & 0xC0) != 0:
                continue
            if rows.sequence[i] <= 0 or rows.sequence[i] > MOST_SEQUENCE:
                continue
            m = rows.message[i]
            k = self._place(rows, i, m)
            if k < 0:
                continue
            tally(self.record, k, S_ROWS, rows.time_ns[m], rows.packet[m], rows.payload_length[i])
            # a datagram with a hole ends in the submessage that the hole cuts
            cut = (rows.message_flags[m] & 4) != 0 and (
                i + 1 == rows.submessages or rows.message[i + 1] != rows.message[i]
            )
            if kind == 0x15:
                self._data(rows, i, m, k, cut)
            else:
                self._piece(rows, i, m, k, cut)
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-2)
    def _place(self, rows: Rows, i: cython.Py_ssize_t, m: cython.Py_ssize_t) -> cython.Py_ssize_t:
        """The stream of row i; a new one is chained to its writer's others."""
        guid: cython.ulonglong = (cython.cast(cython.ulonglong, rows.sender[i]) << 32) | rows.writer[i]
        there: cython.ulonglong = (cython.cast(cython.ulonglong, rows.reader[i]) << 32) | rows.target[m]
        way: cython.ulonglong = (cython.cast(cython.ulonglong, rows.target_port[m]) << 32) | (
            cython.cast(cython.ulonglong, rows.interface[m]) << 2 | ((rows.message_flags[m] >> 4) & 3)
        )
        known: cython.Py_ssize_t = self.keys.used
        k: cython.Py_ssize_t = self.keys.find(guid, there, way, True)
        if k < known:
            return k
        w: cython.Py_ssize_t = self.writers.find(guid, 0, 0, True)
        if w >= 0:
            self.record[k, S_NEXT] = self.heads[w]
            self.heads[w] = k + 1
        self.record[k, S_SOURCE] = rows.source[m]
        self.record[k, S_MULTICAST] = rows.message_flags[m] & 1
        self.record[k, S_START] = rows.sequence[i]
        self.record[k, S_LEAST] = rows.sequence[i]
        self.record[k, S_TOP] = rows.sequence[i] - 1
        return k

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _advance(self, k: cython.Py_ssize_t, top: cython.longlong) -> cython.int:
        """Move the window's end to `top`, forgetting what falls out of it."""
        s: cython.longlong
        w: cython.Py_ssize_t
        keep: cython.ulonglong
        if top - self.record[k, S_TOP] >= WINDOW:
            for w in range(WINDOW >> 6):
                self.whole[k, w] = 0
                self.partial[k, w] = 0
                self.excused[k, w] = 0
        else:
            for s in range(self.record[k, S_TOP] + 1, top + 1):
                w = (s & (WINDOW - 1)) >> 6
                keep = MASK64 ^ (ONE << (s & 63))
                self.whole[k, w] &= keep
                self.partial[k, w] &= keep
                self.excused[k, w] &= keep
        self.record[k, S_TOP] = top
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _hole(
        self,
        k: cython.Py_ssize_t,
        sequence: cython.longlong,
        time_ns: cython.longlong,
        packet: cython.longlong,
    ) -> cython.int:
        """Remember that `sequence` was not complete when this packet came."""
        n: cython.longlong = self.record[k, S_HOLES]
        if n < HOLES:
            self.holes[k, n, 0] = sequence
            self.holes[k, n, 1] = time_ns
            self.holes[k, n, 2] = packet
            self.record[k, S_HOLES] = n + 1
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _enter(
        self, rows: Rows, i: cython.Py_ssize_t, m: cython.Py_ssize_t, k: cython.Py_ssize_t
    ) -> cython.int:
        """Make room for row i's sequence number.  0: it is new, 1: known in part, 2: whole, 3: too old to tell."""
        s: cython.longlong = rows.sequence[i]
        top: cython.longlong = self.record[k, S_TOP]
        w: cython.Py_ssize_t = (s & (WINDOW - 1)) >> 6
        bit: cython.ulonglong = ONE << (s & 63)
        if s <= top - WINDOW:
            return 3
        if s > top:
            if s > top + 1:
                self._hole(k, top + 1, rows.time_ns[m], rows.packet[m])
            self._advance(k, s)
        elif self.whole[k, w] & bit:
            return 2
        elif self.partial[k, w] & bit:
            return 1
        elif self.excused[k, w] & bit:
            self.excused[k, w] &= MASK64 ^ bit
            self.record[k, S_EXCUSED] -= 1
        if s > self.record[k, S_LAST]:
            self.record[k, S_LAST] = s
        if s < self.record[k, S_LEAST]:
            self.record[k, S_LEAST] = s
        if s < self.record[k, S_START]:
            self.record[k, S_EARLIER] += 1
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _data(
        self, rows: Rows, i: cython.Py_ssize_t, m: cython.Py_ssize_t, k: cython.Py_ssize_t, cut: cython.bint
    ) -> cython.int:
        s: cython.longlong = rows.sequence[i]
        size: cython.longlong = rows.payload_length[i]
        state: cython.int = self._enter(rows, i, m, k)
        if state >= 2 or (state == 1 and cut):
            self.record[k, S_REPEATS] += 1
            return 0
        if size > self.record[k, S_SIZE_LARGEST]:
            self.record[k, S_SIZE_LARGEST] = size
        if rows.ip_fragments[m] > self.record[k, S_FRAGMENTS]:
            self.record[k, S_FRAGMENTS] = rows.ip_fragments[m]
        if not cut:
            return self._complete(rows, i, m, k, state, size)
        self.partial[k, (s & (WINDOW - 1)) >> 6] |= ONE << (s & 63)
        self.record[k, S_PARTIAL] += 1
        return self._hole(k, s, rows.time_ns[m], rows.packet[m])

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _complete(
        self,
        rows: Rows,
        i: cython.Py_ssize_t,
        m: cython.Py_ssize_t,
        k: cython.Py_ssize_t,
        state: cython.int,
        size: cython.longlong,
    ) -> cython.int:
        """The sample of row i is there as a whole, for the first time."""
        s: cython.longlong = rows.sequence[i]
        w: cython.Py_ssize_t = (s & (WINDOW - 1)) >> 6
        t: cython.longlong = rows.time_ns[m]
        if state == 1:
            self.partial[k, w] &= MASK64 ^ (ONE << (s & 63))
            self.record[k, S_PARTIAL] -= 1
        self.whole[k, w] |= ONE << (s & 63)
        self.record[k, S_WHOLE] += 1
        if self.record[k, S_SIZE_VOTES] == 0:
            self.record[k, S_SIZE_COMMON] = size
        self.record[k, S_SIZE_VOTES] += 1 if self.record[k, S_SIZE_COMMON] == size else -1
        if s <= self.record[k, S_NEWEST]:
            return 0
        self.record[k, S_NEWEST] = s
        if self.record[k, S_NEWS] == 0:
            self.record[k, S_NEWS_FIRST_NS] = t
        else:
            self._between(k, t - self.record[k, S_NEWS_LAST_NS])
        self.record[k, S_NEWS] += 1
        self.record[k, S_NEWS_LAST_NS] = t
        if rows.source_time_ns[i] != NO_TIME:
            self._age(k, t - rows.source_time_ns[i])
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _between(self, k: cython.Py_ssize_t, span: cython.longlong) -> cython.int:
        if span < 0:
            span = 0
        if self.record[k, S_BETWEEN_COUNT] == 0 or span < self.record[k, S_BETWEEN_LEAST]:
            self.record[k, S_BETWEEN_LEAST] = span
        if span > self.record[k, S_BETWEEN_MOST]:
            self.record[k, S_BETWEEN_MOST] = span
        self.record[k, S_BETWEEN_COUNT] += 1
        self.between[k, bin_of(span)] += 1
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _age(self, k: cython.Py_ssize_t, age: cython.longlong) -> cython.int:
        """Bin an age.  Beyond a second it is mostly the clocks' offset, so the first such age is the base."""
        if self.record[k, S_AGE_COUNT] == 0:
            self.record[k, S_AGE_BASE] = 0 if -SECOND < age < SECOND else age
            self.record[k, S_AGE_LEAST] = age
            self.record[k, S_AGE_MOST] = age
        if age < self.record[k, S_AGE_LEAST]:
            self.record[k, S_AGE_LEAST] = age
        if age > self.record[k, S_AGE_MOST]:
            self.record[k, S_AGE_MOST] = age
        self.record[k, S_AGE_COUNT] += 1
        apart: cython.longlong = age - self.record[k, S_AGE_BASE]
        if apart >= 0:
            self.ages[k, 0, bin_of(apart)] += 1
        else:
            self.ages[k, 1, bin_of(-apart)] += 1
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _piece(
        self, rows: Rows, i: cython.Py_ssize_t, m: cython.Py_ssize_t, k: cython.Py_ssize_t, cut: cython.bint
    ) -> cython.int:
        """A DATA_FRAG: some fragments of a sample."""
        s: cython.longlong = rows.sequence[i]
        step: cython.longlong = rows.fragment_size[i]
        size: cython.longlong = rows.sample_size[i]
        first: cython.longlong = rows.fragment[i]
        n: cython.longlong = rows.fragments[i]
        if step == 0 or size == 0 or first == 0:
            return 0
        total: cython.longlong = (size + step - 1) // step
        if cut:
            n = min(n, rows.payload_length[i] // step)
        n = min(n, total - first + 1)
        state: cython.int = self._enter(rows, i, m, k)
        if state >= 2:
            self.record[k, S_REPEATS] += first == 1
            return 0
        if state == 0:
            self.partial[k, (s & (WINDOW - 1)) >> 6] |= ONE << (s & 63)
            self.record[k, S_PARTIAL] += 1
        if size > self.record[k, S_SIZE_LARGEST]:
            self.record[k, S_SIZE_LARGEST] = size
            self.record[k, S_FRAGMENTS] = total
        a: cython.Py_ssize_t = self._assembly(k)
        if a < 0:
            return 0
        j: cython.Py_ssize_t = self._slot(rows, i, m, k, a)
        f: cython.longlong
        bit: cython.ulonglong
        for f in range(first - 1, first - 1 + n):
            bit = ONE << (f & 63)
            if f >= MOST_FRAGMENTS:
                self.assemblies[a, j, 1] += 1
            elif not self.pieces[a, j, f >> 6] & bit:
                self.pieces[a, j, f >> 6] |= bit
                self.assemblies[a, j, 1] += 1
        if self.assemblies[a, j, 1] >= total:
            self.assemblies[a, j, 0] = 0
            return self._complete(rows, i, m, k, 1, size)
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-2)
    def _assembly(self, k: cython.Py_ssize_t) -> cython.Py_ssize_t:
        if self.record[k, S_ASSEMBLY] == 0:
            if self.assembled >= self.assemblies.shape[0]:
                return -1
            self.assembled += 1
            self.record[k, S_ASSEMBLY] = self.assembled
        return self.record[k, S_ASSEMBLY] - 1

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _slot(
        self,
        rows: Rows,
        i: cython.Py_ssize_t,
        m: cython.Py_ssize_t,
        k: cython.Py_ssize_t,
        a: cython.Py_ssize_t,
    ) -> cython.Py_ssize_t:
        """The slot in which row i's sample is put together; the oldest sample makes room."""
        s: cython.longlong = rows.sequence[i]
        j: cython.Py_ssize_t
        w: cython.Py_ssize_t
        oldest: cython.Py_ssize_t = 0
        for j in range(SLOTS):
            if self.assemblies[a, j, 0] == s:
                return j
            if self.assemblies[a, j, 0] < self.assemblies[a, oldest, 0]:
                oldest = j
        if self.assemblies[a, oldest, 0] != 0:
            self._hole(k, self.assemblies[a, oldest, 0], rows.time_ns[m], rows.packet[m])
        self.assemblies[a, oldest, 0] = s
        self.assemblies[a, oldest, 1] = 0
        for w in range(MOST_FRAGMENTS >> 6):
            self.pieces[a, oldest, w] = 0
        return oldest

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _gap(self, rows: Rows, i: cython.Py_ssize_t) -> cython.int:
        """Excuse what a GAP names, in each of the writer's streams towards the same place.

        A GAP's list of single numbers is counted but not read: only its run up to the list's base, and, where
        the list is full, the list.
        """
        m: cython.Py_ssize_t = rows.message[i]
        guid: cython.ulonglong = (cython.cast(cython.ulonglong, rows.sender[i]) << 32) | rows.writer[i]
        w: cython.Py_ssize_t = self.writers.find(guid, 0, 0, False)
        if w < 0 or rows.sequence[i] <= 0 or rows.base[i] > MOST_SEQUENCE:
            return 0
        end: cython.longlong = rows.base[i]
        if rows.named[i] == rows.extent[i]:
            end += rows.extent[i]
        way: cython.ulonglong = (cython.cast(cython.ulonglong, rows.target_port[m]) << 32) | (
            cython.cast(cython.ulonglong, rows.interface[m]) << 2 | ((rows.message_flags[m] >> 4) & 3)
        )
        reader: cython.ulonglong
        k: cython.Py_ssize_t = self.heads[w] - 1
        while k >= 0:
            reader = self.keys.words[k, 1] >> 32
            if (
                (self.keys.words[k, 1] & LOW) == rows.target[m]
                and self.keys.words[k, 2] == way
                and (reader == 0 or rows.reader[i] == 0 or reader == rows.reader[i])
            ):
                self._excuse(k, rows.sequence[i], end)
            k = self.record[k, S_NEXT] - 1
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _excuse(self, k: cython.Py_ssize_t, first: cython.longlong, end: cython.longlong) -> cython.int:
        """Excuse first .. end - 1, as far as these are not there and above the stream's start."""
        s: cython.longlong
        w: cython.Py_ssize_t
        bit: cython.ulonglong
        top: cython.longlong = self.record[k, S_TOP]
        first = max(first, self.record[k, S_START], top - WINDOW + 1)
        if end - 1 > top:
            if first < end - WINDOW:
                self.record[k, S_EXCUSED] += end - WINDOW - max(first, top + 1)
            self._advance(k, end - 1)
            first = max(first, end - WINDOW)
        for s in range(first, end):
            w = (s & (WINDOW - 1)) >> 6
            bit = ONE << (s & 63)
            if not (self.whole[k, w] | self.partial[k, w] | self.excused[k, w]) & bit:
                self.excused[k, w] |= bit
                self.record[k, S_EXCUSED] += 1
        return 0


@cython.final
@cython.cclass
class Talk:
    """Heartbeats and acknowledgements, by writer and reader."""

    keys: Keys
    writers: Keys
    heads: cython.int[::1]
    record: cython.longlong[:, ::1]
    answers: cython.uint[:, ::1]

    def __init__(self, keys: Keys, writers: Keys, arrays: dict[str, np.ndarray]) -> None:
        self.keys = keys
        self.writers = writers
        self.heads = view(arrays["heads"])
        self.record = view(arrays["record"])
        self.answers = view(arrays["answers"])

    def feed(self, rows: Rows) -> None:
        """Fold one block's HEARTBEAT, ACKNACK and NACK_FRAG."""
        with cython.nogil:
            self._feed(rows)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _feed(self, rows: Rows) -> cython.int:
        i: cython.Py_ssize_t
        k: cython.Py_ssize_t
        kind: cython.int
        for i in range(rows.submessages):
            kind = rows.kind[i]
            if kind == 0x07:
                self._beat_all(rows, i)
            elif kind == 0x06:
                k = self._place(rows.addressee[i], rows.writer[i], rows.sender[i], rows.reader[i], True)
                if k >= 0:
                    self._acknowledge(rows, i, k)
            elif kind == 0x12:
                k = self._place(rows.addressee[i], rows.writer[i], rows.sender[i], rows.reader[i], True)
                if k >= 0:
                    self.record[k, T_ASKED] += 1
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-2)
    def _place(
        self,
        writer_prefix: cython.ulonglong,
        writer: cython.ulonglong,
        reader_prefix: cython.ulonglong,
        reader: cython.ulonglong,
        create: cython.bint,
    ) -> cython.Py_ssize_t:
        guid: cython.ulonglong = (writer_prefix << 32) | writer
        known: cython.Py_ssize_t = self.keys.used
        k: cython.Py_ssize_t = self.keys.find(guid, (reader_prefix << 32) | reader, 0, create)
        if k < known:
            return k
        w: cython.Py_ssize_t = self.writers.find(guid, 0, 0, True)
        if w >= 0:
            self.record[k, T_NEXT] = self.heads[w]
            self.heads[w] = k + 1
        self.record[k, T_BEAT_COUNT] = -1
        self.record[k, T_ACK_COUNT] = -1
        return k

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _beat_all(self, rows: Rows, i: cython.Py_ssize_t) -> cython.int:
        """A heartbeat counts in its own dialogue; one to any reader also in those of every reader it may mean."""
        k: cython.Py_ssize_t = self._place(
            rows.sender[i], rows.writer[i], rows.addressee[i], rows.reader[i], True
        )
        if k < 0:
            return 0
        self._beat(rows, i, k)
        if rows.reader[i] != 0 and rows.addressee[i] != 0:
            return 0
        guid: cython.ulonglong = (cython.cast(cython.ulonglong, rows.sender[i]) << 32) | rows.writer[i]
        w: cython.Py_ssize_t = self.writers.find(guid, 0, 0, False)
        if w < 0:
            return 0
        other: cython.Py_ssize_t = self.heads[w] - 1
        steps: cython.Py_ssize_t = 0
        prefix: cython.ulonglong
        reader: cython.ulonglong
        while other >= 0 and steps < MOST_CHAIN:
            prefix = self.keys.words[other, 1] >> 32
            reader = self.keys.words[other, 1] & LOW
            if (
                other != k
                and prefix != 0
                and (rows.addressee[i] == 0 or prefix == rows.addressee[i])
                and (rows.reader[i] == 0 or reader == rows.reader[i])
            ):
                self._beat(rows, i, other)
            other = self.record[other, T_NEXT] - 1
            steps += 1
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _beat(self, rows: Rows, i: cython.Py_ssize_t, k: cython.Py_ssize_t) -> cython.int:
        m: cython.Py_ssize_t = rows.message[i]
        if rows.count[i] == self.record[k, T_BEAT_COUNT]:
            return 0  # the same heartbeat to another address, or on another interface
        self.record[k, T_BEAT_COUNT] = rows.count[i]
        tally(self.record, k, T_BEATS, rows.time_ns[m], rows.packet[m], rows.size[m])
        if rows.sequence[i] > self.record[k, T_WRITTEN]:
            self.record[k, T_WRITTEN] = rows.sequence[i]
        if rows.flags[i] & 2:
            return 0
        if self.record[k, T_DEMANDS] == 0:
            self.record[k, T_DEMAND_FIRST_NS] = rows.time_ns[m]
        self.record[k, T_DEMANDS] += 1
        self.record[k, T_DEMAND_LAST_NS] = rows.time_ns[m]
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _acknowledge(self, rows: Rows, i: cython.Py_ssize_t, k: cython.Py_ssize_t) -> cython.int:
        m: cython.Py_ssize_t = rows.message[i]
        waited: cython.longlong
        if rows.count[i] == self.record[k, T_ACK_COUNT]:
            return 0
        self.record[k, T_ACK_COUNT] = rows.count[i]
        tally(self.record, k, T_ACKS, rows.time_ns[m], rows.packet[m], rows.size[m])
        self.record[k, T_ASKED] += rows.named[i] > 0
        if rows.sequence[i] > self.record[k, T_ACKNOWLEDGED]:
            self.record[k, T_ACKNOWLEDGED] = rows.sequence[i]
        if self.record[k, T_DEMANDS] > 0:
            waited = max(0, rows.time_ns[m] - self.record[k, T_DEMAND_FIRST_NS])
            if self.record[k, T_ANSWERS] == 0 or waited < self.record[k, T_ANSWER_LEAST]:
                self.record[k, T_ANSWER_LEAST] = waited
            if waited > self.record[k, T_ANSWER_MOST]:
                self.record[k, T_ANSWER_MOST] = waited
            self.record[k, T_ANSWERS] += 1
            self.answers[k, bin_of(waited)] += 1
        self.record[k, T_DEMANDS] = 0
        return 0


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

    def __init__(self, keys: Keys, lanes: Keys, arrays: dict[str, np.ndarray], bin_ns: int) -> None:
        self.keys = keys
        self.lanes = lanes
        self.record = view(arrays["record"])
        self.loads = view(arrays["loads"])
        self.start_ns = NO_TIME
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
        if flags & 128:
            tally(self.record, k, M_DATA, t, p, size)
        elif flags & 64:
            tally(self.record, k, M_DISCOVERY, t, p, size)
        if flags & 2:
            tally(self.record, k, M_FRAGMENTED, t, p, size)
        if flags & 4:
            tally(self.record, k, M_INCOMPLETE, t, p, size)
            self.record[k, M_PIECES] += rows.ip_fragments[m]
        elif size > self.record[k, M_LARGEST]:
            self.record[k, M_LARGEST] = size
        self.record[k, M_TTL] = rows.ttl[m]
        self.record[k, M_VENDOR] = rows.vendor[m]
        self.record[k, M_MULTICAST] |= flags & 1
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _load(self, rows: Rows, m: cython.Py_ssize_t, flags: cython.int) -> cython.int:
        """Add a datagram to its source's load; bins grow twice as wide when the capture outgrows them."""
        t: cython.longlong = rows.time_ns[m]
        if self.start_ns == NO_TIME:
            self.start_ns = t
        if t < self.start_ns:
            t = self.start_ns
        while (t - self.start_ns) // self.bin_ns >= LOAD_BINS:
            self._widen()
        lane: cython.Py_ssize_t = self.lanes.find(rows.source[m], (flags >> 4) & 3, 0, True)
        if lane < 0:
            return 0
        b: cython.Py_ssize_t = (t - self.start_ns) // self.bin_ns
        if flags & 128:
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


@cython.final
@cython.cclass
class Prints:
    """Fingerprints of datagrams, for other views; when full, only those whose hash has one more leading zero."""

    prints: cython.ulonglong[::1]
    columns: cython.longlong[:, ::1]
    used: cython.Py_ssize_t
    level: cython.int

    def __init__(self, prints: np.ndarray, columns: np.ndarray) -> None:
        """`prints` u8 [limit]; `columns` i8 [limit, 6]: ns, packet, source, target, port << 8 | flags, size."""
        self.prints = view(prints)
        self.columns = view(columns)
        self.used = 0
        self.level = 0

    def state(self) -> tuple[int, int]:
        """Rows in use, and the halvings so far."""
        return self.used, self.level

    def feed(self, rows: Rows) -> None:
        """Remember one block's datagrams."""
        with cython.nogil:
            self._feed(rows)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _chosen(self, mark: cython.ulonglong) -> cython.bint:
        if self.level == 0:
            return True
        h: cython.ulonglong = (mark * MIX_A) & MASK64
        return (h >> (64 - self.level)) == 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _feed(self, rows: Rows) -> cython.int:
        m: cython.Py_ssize_t
        n: cython.Py_ssize_t
        for m in range(rows.messages):
            if not self._chosen(rows.print[m]):
                continue
            while self.used >= self.prints.shape[0] and self.level < 63:
                self._thin()
            if not self._chosen(rows.print[m]) or self.used >= self.prints.shape[0]:
                continue
            n = self.used
            self.prints[n] = rows.print[m]
            self.columns[n, 0] = rows.time_ns[m]
            self.columns[n, 1] = rows.packet[m]
            self.columns[n, 2] = rows.source[m]
            self.columns[n, 3] = rows.target[m]
            self.columns[n, 4] = rows.target_port[m] << 8 | rows.message_flags[m]
            self.columns[n, 5] = rows.size[m]
            self.used += 1
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _thin(self) -> cython.int:
        """Keep every second row, on average."""
        i: cython.Py_ssize_t
        c: cython.Py_ssize_t
        n: cython.Py_ssize_t = 0
        self.level += 1
        for i in range(self.used):
            if self._chosen(self.prints[i]):
                self.prints[n] = self.prints[i]
                for c in range(6):
                    self.columns[n, c] = self.columns[i, c]
                n += 1
        self.used = n
        return 0
