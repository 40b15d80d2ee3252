# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""Samples of user writers: whole, partial, missing, excused, repeated; inter-arrival, age, size.

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.  What is known
of single numbers stands in rings of words, by the number's upper bits.  Only 1 .. 2**62 are numbers.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

from toprung.observe import records
from toprung.observe.records import SampleField
from toprung.wire.columns import NO_TIME, MessageFlag
from toprung.wire.ids import BUILTIN_BITS, Sub

if not cython.compiled:
    from toprung.observe._assemblies import Assemblies
    from toprung.observe._histograms import Histograms
    from toprung.observe._keys import Keys, tally
    from toprung.observe._rows import Rows

DATA = cython.declare(cython.int, int(Sub.DATA))
DATA_FRAG = cython.declare(cython.int, int(Sub.DATA_FRAG))
GAP = cython.declare(cython.int, int(Sub.GAP))
NOT_USER = cython.declare(cython.uint, BUILTIN_BITS)  # of an entity id: the standard's or the vendor's
MULTICAST = cython.declare(cython.int, int(MessageFlag.MULTICAST))
INCOMPLETE = cython.declare(cython.int, int(MessageFlag.INCOMPLETE))
MASK64 = cython.declare(cython.ulonglong, 0xFFFFFFFFFFFFFFFF)
LOW = cython.declare(cython.ulonglong, (1 << 32) - 1)
ONE = cython.declare(cython.ulonglong, 1)
MOST_SEQUENCE = cython.declare(cython.longlong, 1 << 62)
TIMELESS = cython.declare(cython.longlong, NO_TIME)
SECOND = cython.declare(cython.longlong, 1_000_000_000)
WORDS = cython.declare(cython.longlong, records.WINDOW >> 6)
WHOLE = cython.declare(cython.Py_ssize_t, records.WHOLE)
PARTIAL = cython.declare(cython.Py_ssize_t, records.PARTIAL)
EXCUSED = cython.declare(cython.Py_ssize_t, records.EXCUSED)
HOLES = cython.declare(cython.longlong, records.HOLES)
S_ROWS = cython.declare(cython.Py_ssize_t, SampleField.ROWS)
S_TOP = cython.declare(cython.Py_ssize_t, SampleField.TOP)
S_LAST = cython.declare(cython.Py_ssize_t, SampleField.LAST)
S_WHOLE = cython.declare(cython.Py_ssize_t, SampleField.WHOLE)
S_NEWEST = cython.declare(cython.Py_ssize_t, SampleField.NEWEST)
S_NEWS = cython.declare(cython.Py_ssize_t, SampleField.NEWS)
S_NEWS_LAST_NS = cython.declare(cython.Py_ssize_t, SampleField.NEWS_LAST_NS)
S_BETWEEN = cython.declare(cython.Py_ssize_t, SampleField.BETWEEN)
S_START = cython.declare(cython.Py_ssize_t, SampleField.START)
S_AGE_ABOVE = cython.declare(cython.Py_ssize_t, SampleField.AGE_ABOVE)
S_AGE_BELOW = cython.declare(cython.Py_ssize_t, SampleField.AGE_BELOW)
S_AGE_BASE = cython.declare(cython.Py_ssize_t, SampleField.AGE_BASE)
S_AGE_LEAST = cython.declare(cython.Py_ssize_t, SampleField.AGE_LEAST)
S_AGE_MOST = cython.declare(cython.Py_ssize_t, SampleField.AGE_MOST)
S_SIZE_COMMON = cython.declare(cython.Py_ssize_t, SampleField.SIZE_COMMON)
S_SIZE_VOTES = cython.declare(cython.Py_ssize_t, SampleField.SIZE_VOTES)
S_SIZE_LARGEST = cython.declare(cython.Py_ssize_t, SampleField.SIZE_LARGEST)
S_FRAGMENTS = cython.declare(cython.Py_ssize_t, SampleField.FRAGMENTS)
S_NEWS_FIRST_NS = cython.declare(cython.Py_ssize_t, SampleField.NEWS_FIRST_NS)
S_LEAST = cython.declare(cython.Py_ssize_t, SampleField.LEAST)
S_EARLIER = cython.declare(cython.Py_ssize_t, SampleField.EARLIER)
S_PARTIAL = cython.declare(cython.Py_ssize_t, SampleField.PARTIAL)
S_REPEATS = cython.declare(cython.Py_ssize_t, SampleField.REPEATS)
S_EXCUSED = cython.declare(cython.Py_ssize_t, SampleField.EXCUSED)
S_HOLES = cython.declare(cython.Py_ssize_t, SampleField.HOLES)
S_SOURCE = cython.declare(cython.Py_ssize_t, SampleField.SOURCE)
S_MULTICAST = cython.declare(cython.Py_ssize_t, SampleField.MULTICAST)
S_ASSEMBLY = cython.declare(cython.Py_ssize_t, SampleField.ASSEMBLY)
S_NEXT = cython.declare(cython.Py_ssize_t, SampleField.NEXT)


@cython.final
@cython.cclass
class Samples:
    """Sequence numbers, completeness, inter-arrival, age and size of every writer's samples."""

    keys: Keys
    writers: Keys
    heads: cython.int[::1]
    record: cython.longlong[:, ::1]
    bits: cython.ulonglong[:, :, ::1]
    histograms: Histograms
    holes: cython.longlong[:, :, ::1]
    assemblies: Assemblies

    def __init__(
        self,
        keys: Keys,
        writers: Keys,
        assemblies: Assemblies,
        histograms: Histograms,
        arrays: dict[str, Any],
    ) -> None:
        """`arrays`: zeroed, as `toprung.observe.tables` makes them."""
        self.keys = keys
        self.writers = writers
        self.heads = memoryview(arrays["heads"])
        self.record = memoryview(arrays["record"])
        self.holes = memoryview(arrays["holes"])
        self.bits = memoryview(arrays["bits"])
        self.assemblies = assemblies
        self.histograms = histograms

    def feed(self, rows: Rows) -> None:
        """Fold one block's DATA, DATA_FRAG and GAP of user writers."""
        with cython.nogil:
            self._feed(rows)

    def excuse(self, rows: Rows, i: int, first: int, end: int) -> None:
        """Excuse first .. end - 1, which stand in the list of the GAP of row i."""
        self._gap(rows, i, first, end)

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
            if kind == GAP:
                self._gap(rows, i, rows.sequence[i], rows.base[i])
                continue
            if (kind != DATA and kind != DATA_FRAG) or (rows.writer[i] & NOT_USER) != 0:
                continue
            if not 0 < rows.sequence[i] <= MOST_SEQUENCE:
                continue
            m = rows.message[i]
            if (k := self._place(rows, i, m)) < 0:
                continue
            tally(self.record, k, S_ROWS, rows.time_ns[m], rows.packet[m], rows.payload_length[i])
            # a datagram with a hole ends in the submessage that the hole cuts
            cut = (rows.message_flags[m] & INCOMPLETE) != 0 and (
                i + 1 == rows.submessages or rows.message[i + 1] != rows.message[i]
            )
            if kind == DATA:
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
        if (w := self.writers.find(guid, 0, 0, True)) >= 0:
            self.record[k, S_NEXT] = self.heads[w]
            self.heads[w] = k + 1
        self.record[k, S_SOURCE] = rows.source[m]
        self.record[k, S_MULTICAST] = rows.message_flags[m] & MULTICAST
        self.record[k, S_START] = rows.sequence[i]
        self.record[k, S_LEAST] = rows.sequence[i]
        self.record[k, S_TOP] = rows.sequence[i] - 1
        return k

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _advance(self, k: cython.Py_ssize_t, top: cython.longlong) -> cython.int:
        """Move the window's end to `top`, forgetting what falls out of it, word by word."""
        first: cython.longlong = max((self.record[k, S_TOP] >> 6) + 1, (top >> 6) - WORDS + 1)
        word: cython.longlong
        for word in range(first, (top >> 6) + 1):
            self.bits[k, word & (WORDS - 1), WHOLE] = 0
            self.bits[k, word & (WORDS - 1), PARTIAL] = 0
            self.bits[k, word & (WORDS - 1), EXCUSED] = 0
        self.record[k, S_TOP] = top
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _hole(
        self, rows: Rows, m: cython.Py_ssize_t, k: cython.Py_ssize_t, sequence: cython.longlong
    ) -> cython.int:
        """Remember that `sequence` was not complete when message m came."""
        n: cython.longlong = self.record[k, S_HOLES]
        if n < HOLES:
            self.holes[k, n, 0] = sequence
            self.holes[k, n, 1] = rows.time_ns[m]
            self.holes[k, n, 2] = rows.packet[m]
            self.record[k, S_HOLES] = n + 1
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _enter(
        self, rows: Rows, i: cython.Py_ssize_t, m: cython.Py_ssize_t, k: cython.Py_ssize_t
    ) -> cython.int:
        """Make room for row i's number.  0: it is new, 1: known in part, 2: whole, 3: too old to tell."""
        s: cython.longlong = rows.sequence[i]
        top: cython.longlong = self.record[k, S_TOP]
        w: cython.Py_ssize_t = (s >> 6) & (WORDS - 1)
        bit: cython.ulonglong = ONE << (s & 63)
        if (s >> 6) <= (top >> 6) - WORDS:
            return 3
        if s > top:
            if s > top + 1:
                self._hole(rows, m, k, top + 1)
            self._advance(k, s)
        elif self.bits[k, w, WHOLE] & bit:
            return 2
        elif self.bits[k, w, PARTIAL] & bit:
            return 1
        elif self.bits[k, w, EXCUSED] & bit:
            self.bits[k, w, EXCUSED] &= MASK64 ^ bit
            self.record[k, S_EXCUSED] -= 1
        self.record[k, S_LAST] = max(s, self.record[k, S_LAST])
        self.record[k, S_LEAST] = min(s, self.record[k, S_LEAST])
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
        self.record[k, S_SIZE_LARGEST] = max(size, self.record[k, S_SIZE_LARGEST])
        self.record[k, S_FRAGMENTS] = max(rows.ip_fragments[m], self.record[k, S_FRAGMENTS])
        if not cut:
            return self._complete(rows, i, m, k, state, size, rows.source_time_ns[i])
        self.bits[k, (s >> 6) & (WORDS - 1), PARTIAL] |= ONE << (s & 63)
        self.record[k, S_PARTIAL] += 1
        return self._hole(rows, m, k, s)

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
        stamp: cython.longlong,
    ) -> cython.int:
        """The sample of row i is there as a whole, for the first time."""
        s: cython.longlong = rows.sequence[i]
        w: cython.Py_ssize_t = (s >> 6) & (WORDS - 1)
        t: cython.longlong = rows.time_ns[m]
        if state == 1:
            self.bits[k, w, PARTIAL] &= MASK64 ^ (ONE << (s & 63))
            self.record[k, S_PARTIAL] -= 1
        self.bits[k, w, WHOLE] |= ONE << (s & 63)
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
            self.histograms.measure(self.record, k, S_BETWEEN, max(0, t - self.record[k, S_NEWS_LAST_NS]))
        self.record[k, S_NEWS] += 1
        self.record[k, S_NEWS_LAST_NS] = t
        if stamp != TIMELESS:
            self._age(k, t - stamp)
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _age(self, k: cython.Py_ssize_t, age: cython.longlong) -> cython.int:
        """Bin an age.  Beyond a second it is mostly the clocks' offset, so the first such age is the base."""
        if self.record[k, S_AGE_ABOVE] == 0 and self.record[k, S_AGE_BELOW] == 0:
            self.record[k, S_AGE_BASE] = 0 if -SECOND < age < SECOND else age
            self.record[k, S_AGE_LEAST] = age
            self.record[k, S_AGE_MOST] = age
        self.record[k, S_AGE_LEAST] = min(age, self.record[k, S_AGE_LEAST])
        self.record[k, S_AGE_MOST] = max(age, self.record[k, S_AGE_MOST])
        apart: cython.longlong = age - self.record[k, S_AGE_BASE]
        if apart >= 0:
            self.record[k, S_AGE_ABOVE] = self.histograms.add(self.record[k, S_AGE_ABOVE], apart)
        else:
            self.record[k, S_AGE_BELOW] = self.histograms.add(self.record[k, S_AGE_BELOW], -apart)
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
            self.bits[k, (s >> 6) & (WORDS - 1), PARTIAL] |= ONE << (s & 63)
            self.record[k, S_PARTIAL] += 1
        if size > self.record[k, S_SIZE_LARGEST]:
            self.record[k, S_SIZE_LARGEST] = size
            self.record[k, S_FRAGMENTS] = total
        if self.record[k, S_ASSEMBLY] == 0:
            self.record[k, S_ASSEMBLY] = self.assemblies.open() + 1
        if self.record[k, S_ASSEMBLY] == 0:
            return 0
        stamp: cython.longlong = rows.source_time_ns[i]
        state = self.assemblies.put(self.record[k, S_ASSEMBLY] - 1, s, first, n, total, stamp)
        if self.assemblies.dropped != 0:
            self._hole(rows, m, k, self.assemblies.dropped)
        if state == 1:
            return self._complete(rows, i, m, k, 1, size, self.assemblies.stamp)
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _gap(
        self, rows: Rows, i: cython.Py_ssize_t, first: cython.longlong, end: cython.longlong
    ) -> cython.int:
        """Excuse first .. end - 1 in each of the writer's streams that the GAP of row i is for."""
        m: cython.Py_ssize_t = rows.message[i]
        guid: cython.ulonglong = (cython.cast(cython.ulonglong, rows.sender[i]) << 32) | rows.writer[i]
        w: cython.Py_ssize_t = self.writers.find(guid, 0, 0, False)
        if w < 0 or first <= 0 or end > MOST_SEQUENCE:
            return 0
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
                self._excuse(k, first, end)
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
        low: cython.longlong = (((end - 1) >> 6) - WORDS + 1) << 6  # the window's least number afterwards
        first = max(first, self.record[k, S_START], ((top >> 6) - WORDS + 1) << 6)
        if end - 1 > top:
            if first < low:
                self.record[k, S_EXCUSED] += low - max(first, top + 1)
                first = low
            self._advance(k, end - 1)
        for s in range(first, end):
            w = (s >> 6) & (WORDS - 1)
            bit = ONE << (s & 63)
            if not (self.bits[k, w, WHOLE] | self.bits[k, w, PARTIAL] | self.bits[k, w, EXCUSED]) & bit:
                self.bits[k, w, EXCUSED] |= bit
                self.record[k, S_EXCUSED] += 1
        return 0
