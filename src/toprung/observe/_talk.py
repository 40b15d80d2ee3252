# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""Heartbeats and acknowledgements, by writer and reader.

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

from toprung.observe import records
from toprung.observe.records import TalkField
from toprung.wire.ids import Flag, Sub

if not cython.compiled:
    from toprung.observe._histograms import Histograms
    from toprung.observe._keys import Keys, tally
    from toprung.observe._rows import Rows

HEARTBEAT = cython.declare(cython.int, int(Sub.HEARTBEAT))
ACKNACK = cython.declare(cython.int, int(Sub.ACKNACK))
NACK_FRAG = cython.declare(cython.int, int(Sub.NACK_FRAG))
FINAL = cython.declare(cython.int, int(Flag.FINAL))
MOST_CHAIN = cython.declare(cython.Py_ssize_t, records.MOST_CHAIN)

LOW = cython.declare(cython.ulonglong, (1 << 32) - 1)
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
T_NEXT = cython.declare(cython.Py_ssize_t, TalkField.NEXT)


@cython.final
@cython.cclass
class Talk:
    """Heartbeats and acknowledgements, by writer and reader."""

    keys: Keys
    writers: Keys
    heads: cython.int[::1]
    record: cython.longlong[:, ::1]
    histograms: Histograms

    def __init__(self, keys: Keys, writers: Keys, histograms: Histograms, arrays: dict[str, Any]) -> None:
        self.keys = keys
        self.writers = writers
        self.heads = memoryview(arrays["heads"])
        self.record = memoryview(arrays["record"])
        self.histograms = histograms

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
            if kind == HEARTBEAT:
                self._beat_all(rows, i)
            elif kind == ACKNACK:
                k = self._place(rows.addressee[i], rows.writer[i], rows.sender[i], rows.reader[i], True)
                if k >= 0:
                    self._acknowledge(rows, i, k)
            elif kind == NACK_FRAG:
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
        """A heartbeat counts in its own dialogue; one to any reader in those of every reader it may mean."""
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
        if rows.flags[i] & FINAL:
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
            self.histograms.measure(self.record, k, T_ANSWERS, waited)
        self.record[k, T_DEMANDS] = 0
        return 0
