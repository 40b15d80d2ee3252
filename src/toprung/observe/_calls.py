# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""Announcements of builtin writers: equal ones on one way are counted, so that each is decoded once.

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.  Two payloads
are taken for equal where a 64-bit hash of theirs, of the inline QoS, the writer and the byte order is.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

from toprung.observe import records
from toprung.observe.records import CallField
from toprung.wire.columns import MessageFlag
from toprung.wire.ids import EntityId, Flag, Sub

if not cython.compiled:
    from toprung.observe._histograms import Histograms
    from toprung.observe._keys import Keys, tally
    from toprung.observe._rows import Rows

DATA = cython.declare(cython.int, int(Sub.DATA))
DATA_FRAG = cython.declare(cython.int, int(Sub.DATA_FRAG))
PARTICIPANTS = cython.declare(cython.uint, int(EntityId.PARTICIPANT_WRITER))
PUBLICATIONS = cython.declare(cython.uint, int(EntityId.PUBLICATIONS_WRITER))
SUBSCRIPTIONS = cython.declare(cython.uint, int(EntityId.SUBSCRIPTIONS_WRITER))
CUT = cython.declare(cython.int, int(MessageFlag.CUT))
INCOMPLETE = cython.declare(cython.int, int(MessageFlag.INCOMPLETE))
FRAGMENTED = cython.declare(cython.int, int(MessageFlag.FRAGMENTED))
MULTICAST = cython.declare(cython.int, int(MessageFlag.MULTICAST))
LITTLE = cython.declare(cython.int, int(Flag.LITTLE_ENDIAN))
SAME_NS = cython.declare(cython.longlong, records.SAME_ANNOUNCEMENT_NS)

C_TALLY = cython.declare(cython.Py_ssize_t, CallField.COUNT)
C_TTL = cython.declare(cython.Py_ssize_t, CallField.TTL)
C_MULTICAST = cython.declare(cython.Py_ssize_t, CallField.MULTICAST)
C_PERIODS = cython.declare(cython.Py_ssize_t, CallField.PERIODS)
C_BEAT_NS = cython.declare(cython.Py_ssize_t, CallField.BEAT_NS)
C_WRITER = cython.declare(cython.Py_ssize_t, CallField.WRITER)

MASK64 = cython.declare(cython.ulonglong, 0xFFFFFFFFFFFFFFFF)
PRIME = cython.declare(cython.ulonglong, 0x100000001B3)  # FNV-1a, 64 bits (Fowler, Noll and Vo)
BASIS = cython.declare(cython.ulonglong, 0xCBF29CE484222325)


@cython.final
@cython.cclass
class Calls:
    """Counts announcements by (what, sender, way); hands out the rows of those that are new."""

    captured: cython.const[cython.uchar][::1]
    joined: cython.const[cython.uchar][::1]
    keys: Keys
    record: cython.longlong[:, ::1]
    histograms: Histograms
    fresh: cython.longlong[:, ::1]

    def __init__(self, keys: Keys, histograms: Histograms, arrays: dict[str, Any]) -> None:
        """`arrays`: zeroed, as `toprung.observe.tables` makes them; `fresh` i8 [rows, 2]."""
        self.keys = keys
        self.histograms = histograms
        self.record = memoryview(arrays["record"])
        self.fresh = memoryview(arrays["fresh"])

    def feed(self, rows: Rows, captured: Any, joined: Any) -> int:
        """Fold one block; `captured` and `joined` are the bytes that its payload offsets count in.

        Returns how many rows of `fresh` are filled: submessage row, and the call's place, or -1 for one in
        DATA_FRAG, which the caller puts together.
        """
        found: cython.Py_ssize_t
        self.captured = captured
        self.joined = joined
        with cython.nogil:
            found = self._feed(rows)
        return found

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _feed(self, rows: Rows) -> cython.Py_ssize_t:
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        found: cython.Py_ssize_t = 0
        known: cython.Py_ssize_t
        k: cython.Py_ssize_t
        for i in range(rows.submessages):
            if rows.kind[i] != DATA and rows.kind[i] != DATA_FRAG:
                continue
            if (
                rows.writer[i] != PARTICIPANTS
                and rows.writer[i] != PUBLICATIONS
                and rows.writer[i] != SUBSCRIPTIONS
            ):
                continue
            m = rows.message[i]
            if self._broken(rows, i, m):
                continue
            known = self.keys.used
            k = -1
            if rows.kind[i] == DATA:
                k = self._call(rows, i, m)
                if 0 <= k < known or k < 0:
                    continue
            if found < self.fresh.shape[0]:
                self.fresh[found, 0] = i
                self.fresh[found, 1] = k
                found += 1
        return found

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _broken(self, rows: Rows, i: cython.Py_ssize_t, m: cython.Py_ssize_t) -> cython.bint:
        """Whether there is more of row i than is here: only a message's last submessage can lack its end."""
        return (rows.message_flags[m] & (CUT | INCOMPLETE)) != 0 and (
            i + 1 == rows.submessages or rows.message[i + 1] != rows.message[i]
        )

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-2)
    def _call(self, rows: Rows, i: cython.Py_ssize_t, m: cython.Py_ssize_t) -> cython.Py_ssize_t:
        """Count the announcement of row i; its place, -1 where there is no room."""
        who: cython.ulonglong = (cython.cast(cython.ulonglong, rows.sender[i]) << 32) | rows.source[m]
        way: cython.ulonglong = (
            (cython.cast(cython.ulonglong, rows.target[m]) << 40)
            | (cython.cast(cython.ulonglong, rows.target_port[m]) << 24)
            | (cython.cast(cython.ulonglong, rows.interface[m]) << 2)
            | ((rows.message_flags[m] >> 4) & 3)
        )
        known: cython.Py_ssize_t = self.keys.used
        k: cython.Py_ssize_t = self.keys.find(self._hash(rows, i, m), who, way, True)
        if k < 0:
            return -1
        tally(self.record, k, C_TALLY, rows.time_ns[m], rows.packet[m], rows.size[m])
        if k >= known:
            self.record[k, C_TTL] = rows.ttl[m]
            self.record[k, C_MULTICAST] = rows.message_flags[m] & MULTICAST
            self.record[k, C_BEAT_NS] = rows.time_ns[m]
            self.record[k, C_WRITER] = rows.writer[i]
        elif rows.writer[i] == PARTICIPANTS:
            self._beat(k, rows.time_ns[m])
        return k

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _beat(self, k: cython.Py_ssize_t, time_ns: cython.longlong) -> cython.int:
        """One more announcement of a participant; copies in quick succession are one."""
        span: cython.longlong = time_ns - self.record[k, C_BEAT_NS]
        if span < SAME_NS:
            return 0
        self.record[k, C_BEAT_NS] = time_ns
        self.histograms.measure(self.record, k, C_PERIODS, span)
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _hash(self, rows: Rows, i: cython.Py_ssize_t, m: cython.Py_ssize_t) -> cython.ulonglong:
        """Of inline QoS and payload, by eight octets at a time."""
        data: cython.const[cython.uchar][::1] = (
            self.joined if rows.message_flags[m] & FRAGMENTED else self.captured
        )
        at: cython.Py_ssize_t = rows.payload_at[i] - rows.inline_length[i]
        end: cython.Py_ssize_t = rows.payload_at[i] + rows.payload_length[i]
        h: cython.ulonglong = BASIS ^ rows.writer[i] ^ (rows.flags[i] & LITTLE)
        h = ((h ^ rows.inline_length[i]) * PRIME) & MASK64
        word: cython.ulonglong
        b: cython.Py_ssize_t
        while at + 8 <= end:
            word = 0
            for b in range(8):
                word = (word << 8) | data[at + b]
            h = ((h ^ word) * PRIME) & MASK64
            h ^= h >> 32
            at += 8
        while at < end:
            h = ((h ^ data[at]) * PRIME) & MASK64
            at += 1
        return h ^ (h >> 29)
