# cython: boundscheck=True, wraparound=False, initializedcheck=False
# mypy: ignore-errors
# (C types: Cython checks them)
"""RTPS messages -> one row a submessage (DDSI-RTPS 2.5, clauses 8.3 and 9.4).

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.  Entity ids
and GUID prefixes are octets in wire order, never swapped; everything else follows the submessage's E flag.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

from toprung.wire.columns import NO_TIME, MessageFlag, shortest
from toprung.wire.faults import Fault
from toprung.wire.ids import HEADER_LENGTH, MAGIC, MAJOR_VERSION, MAX_SET_BITS, Sub

if not cython.compiled:
    from toprung.wire._bytes import fetch, i64, ones, u16, u32, u32le, u64be, u64le, words

HEADER = cython.declare(cython.int, HEADER_LENGTH)
HEADER_MAGIC = cython.declare(cython.uint, int.from_bytes(MAGIC, "little"))
MAJOR = cython.declare(cython.int, MAJOR_VERSION)
SET_BITS = cython.declare(cython.uint, MAX_SET_BITS)
TIMELESS = cython.declare(cython.longlong, NO_TIME)

PAD = cython.declare(cython.int, int(Sub.PAD))
ACKNACK = cython.declare(cython.int, int(Sub.ACKNACK))
HEARTBEAT = cython.declare(cython.int, int(Sub.HEARTBEAT))
GAP = cython.declare(cython.int, int(Sub.GAP))
INFO_TS = cython.declare(cython.int, int(Sub.INFO_TS))
INFO_SRC = cython.declare(cython.int, int(Sub.INFO_SRC))
INFO_DST = cython.declare(cython.int, int(Sub.INFO_DST))
NACK_FRAG = cython.declare(cython.int, int(Sub.NACK_FRAG))
HEARTBEAT_FRAG = cython.declare(cython.int, int(Sub.HEARTBEAT_FRAG))
DATA = cython.declare(cython.int, int(Sub.DATA))
DATA_FRAG = cython.declare(cython.int, int(Sub.DATA_FRAG))
FIRST_SECURED = cython.declare(cython.int, int(Sub.SEC_BODY))
LAST_SECURED = cython.declare(cython.int, int(Sub.SRTPS_POSTFIX))

FRAGMENTED = cython.declare(cython.int, int(MessageFlag.FRAGMENTED))
NOT_WHOLE = cython.declare(cython.int, int(MessageFlag.CUT | MessageFlag.INCOMPLETE))
DISCOVERY = cython.declare(cython.int, int(MessageFlag.DISCOVERY))
USER_DATA = cython.declare(cython.int, int(MessageFlag.DATA))

F_VERSION = cython.declare(cython.int, int(Fault.VERSION))
F_LENGTH = cython.declare(cython.int, int(Fault.SUBMESSAGE_LENGTH))
F_SHORT = cython.declare(cython.int, int(Fault.SUBMESSAGE_SHORT))
F_SEQUENCE = cython.declare(cython.int, int(Fault.SEQUENCE))
F_SET = cython.declare(cython.int, int(Fault.SET))
F_FRAGMENT = cython.declare(cython.int, int(Fault.FRAGMENT_NUMBER))
F_QOS = cython.declare(cython.int, int(Fault.INLINE_QOS))

MASK = cython.declare(cython.ulonglong, (1 << 64) - 1)
LINE = cython.declare(cython.int, 64)
ONES = cython.declare(cython.uint, 0xFFFFFFFF)
HALF = cython.declare(cython.ulonglong, 1 << 31)


class Submessages:
    """Reads message rows, fills their `prefix`, `vendor`, and one row a submessage."""

    def __init__(self, messages: Any, submessages: Any, kinds: Any, prefixes: Any, faults: Any) -> None:
        m, s = messages, submessages
        self.m_flags, self.m_prefix, self.m_vendor = m["flags"], m["prefix"], m["vendor"]
        self.m_begin, self.m_room = m["begin"], m["room"]
        self.message, self.kind, self.flags = s["message"], s["kind"], s["flags"]
        self.sender, self.addressee = s["sender"], s["addressee"]
        self.reader, self.writer = s["reader"], s["writer"]
        self.sequence, self.base, self.extent, self.named = s["sequence"], s["base"], s["extent"], s["named"]
        self.count_field, self.fragment, self.fragments = s["count"], s["fragment"], s["fragments"]
        self.fragment_size, self.sample_size = s["fragment_size"], s["sample_size"]
        self.source_time_ns, self.inline_length = s["source_time_ns"], s["inline_length"]
        self.payload_at, self.payload_length = s["payload_at"], s["payload_length"]
        self.least, self.entity = kinds["least"], kinds["entity"]
        self.prefixes, self.faults = prefixes, faults
        self.unreadable = 0
        self.ahead = 0
        self.lines = 0
        self.count = 0
        self.capacity = shortest(submessages)
        self.messages = shortest(messages)
        if shortest(kinds) < 256 or len(faults) < len(Fault):
            raise ValueError("tables by kind must have a place for every kind")

    def start(self, captured: Any, joined: Any) -> None:
        """Start a block; where its messages stand, and those that were joined from pieces."""
        self.captured = self.data = captured
        self.joined = joined
        with cython.nogil:
            self._wipe()
            self.count = 0

    def run(self, messages: Any) -> Any:
        """Decode so many message rows; how many found room."""
        rows: cython.Py_ssize_t = messages
        with cython.nogil:
            rows = self._messages(0, rows)
        return rows

    @cython.boundscheck(False)
    def _messages(self, first, rows):
        """Decode message rows [first, rows); the first that found no room, or `rows`."""
        row: cython.Py_ssize_t
        joined: cython.bint = False
        line: cython.Py_ssize_t
        self.data = self.captured
        for row in range(first, min(rows, self.messages)):
            if self.count + 1 + (self.m_room[row] >> 2) > self.capacity:
                return row  # no message holds more submessages than a quarter of its octets
            if ((self.m_flags[row] & FRAGMENTED) != 0) != joined:
                joined = not joined
                self.data = self.joined if joined else self.captured
            for line in range(self.lines):
                fetch(self.captured, self.ahead + LINE * line)
            self.ahead += LINE * self.lines
            self._message(row, self.m_begin[row], self.m_begin[row] + self.m_room[row])
        return rows

    @cython.boundscheck(False)
    def _message(self, row, at, end):
        self.row = row
        self.cut = (self.m_flags[row] & NOT_WHOLE) != 0
        self.m_prefix[row] = 0
        self.m_vendor[row] = 0
        if not self._header(at, end):
            return 0
        self.m_vendor[row] = self.vendor
        self.m_prefix[row] = self.from_
        at += HEADER
        while at + 4 <= end:
            at = self._submessage(at, end)
            if at < 0:
                return at
        if at < end and not self.cut:
            self.faults[F_LENGTH] += 1
        return 0

    @cython.boundscheck(False)
    def _header(self, at, end):
        """Start the receiver's state from an RTPS header (8.3.4); 0: there is none."""
        start: cython.ulonglong = u64be(self.data, at)  # protocol, version, vendor
        if at + HEADER > end or start >> 24 & 0xFF != MAJOR:
            if at + HEADER <= end or not self.cut:
                self.faults[F_VERSION] += 1
            return 0
        self.vendor = start & 0xFFFF
        self.from_ = self._prefix(at + 8)
        self.to = 0
        self.stamp = TIMELESS
        return 1

    def _prefix(self, at):
        """A GUID prefix's number; 0 for the unknown one, which is all zeros (9.3.1.1)."""
        low: cython.ulonglong = u64le(self.data, at)
        high: cython.ulonglong = u32le(self.data, at + 8)
        return 0 if low == 0 and high == 0 else self.prefixes.index(high, low)

    @cython.boundscheck(False)
    def _submessage(self, at, end):
        """Decode one; where the next begins (`end` where nothing sensible can follow)."""
        head: cython.uint = u32le(self.data, at)
        kind: cython.int = head & 0xFF
        flags: cython.int = head >> 8 & 0xFF
        body: cython.Py_ssize_t = at + 4
        length: cython.Py_ssize_t
        stop: cython.Py_ssize_t
        row: cython.Py_ssize_t
        if head == HEADER_MAGIC:
            return at + HEADER if self._header(at, end) else end  # a message behind a message
        self.little = flags & 1
        length = head >> 16
        if not self.little:
            length = (length & 0xFF) << 8 | length >> 8
        if length == 0 and kind != PAD and kind != INFO_TS:
            length = end - body  # octetsToNextHeader 0: to the end of the message (9.4.5.1.3)
        stop = body + length
        if stop > end:
            if not self.cut:
                self.faults[F_LENGTH] += 1
                return end
            stop = end
        if stop - body < self.least[kind]:
            if body + length <= end:
                self.faults[F_SHORT] += 1
            return body + length
        row = self.count
        if row >= self.capacity:
            return end
        self.message[row] = self.row
        self.kind[row] = kind
        self.flags[row] = flags
        self.payload_at[row] = body
        self.payload_length[row] = stop - body
        if self._decode(kind, flags, body, stop, body + length) == 0:
            self._blank(row)
            return body + length
        self.sender[row] = self.from_
        self.addressee[row] = self.to
        self.source_time_ns[row] = self.stamp
        self.count = row + 1
        return body + length

    @cython.boundscheck(False)
    def _wipe(self):
        """`_blank` for the rows of the last block, column by column: each loop becomes one memset."""
        row: cython.Py_ssize_t
        rows: cython.Py_ssize_t = min(self.count, self.capacity)
        for row in range(rows):
            self.reader[row] = 0
        for row in range(rows):
            self.writer[row] = 0
        for row in range(rows):
            self.sequence[row] = 0
        for row in range(rows):
            self.base[row] = 0
        for row in range(rows):
            self.extent[row] = 0
        for row in range(rows):
            self.named[row] = 0
        for row in range(rows):
            self.count_field[row] = 0
        for row in range(rows):
            self.fragment[row] = 0
        for row in range(rows):
            self.fragments[row] = 0
        for row in range(rows):
            self.fragment_size[row] = 0
        for row in range(rows):
            self.sample_size[row] = 0
        for row in range(rows):
            self.inline_length[row] = 0
        return 0

    @cython.boundscheck(False)
    def _blank(self, row):
        """Zero what most kinds of submessages leave alone."""
        self.reader[row], self.writer[row] = 0, 0
        self.sequence[row], self.base[row] = 0, 0
        self.extent[row], self.named[row], self.count_field[row] = 0, 0, 0
        self.fragment[row], self.fragments[row] = 0, 0
        self.fragment_size[row], self.sample_size[row] = 0, 0
        self.inline_length[row] = 0
        return 0

    @cython.boundscheck(False)
    def _decode(self, kind, flags, body, stop, claimed):
        """1: the row stands; 0: it is malformed, and counted as such."""
        entity: cython.int = self.entity[kind]
        stamp: cython.ulonglong
        if entity >= 0:
            return self._entity(kind, flags, body + entity, body, stop, claimed)
        if kind == INFO_TS:
            self.stamp = TIMELESS
            if flags & 2 == 0:
                if body + 8 > stop:
                    self.faults[F_SHORT] += claimed == stop
                    return 0
                stamp = words(self.data, self.little, body)
                if stamp != MASK:  # TIME_INVALID (9.3.2.1)
                    self.stamp = self._time(stamp >> 32, stamp & ONES)
        elif kind == INFO_DST:
            self.to = self._prefix(body)
        elif kind == INFO_SRC:
            self.from_ = self._prefix(body + 8)
            self.stamp = TIMELESS  # haveTimestamp := false (8.3.8.9.5)
        elif kind >= FIRST_SECURED and kind <= LAST_SECURED:
            self.unreadable += 1
        return 1

    def _bad(self, fault):
        """Count a submessage as malformed; 0, as `_decode` says."""
        self.faults[fault] += 1
        return 0

    def _time(self, seconds, fraction):
        """Time_t (9.3.2.1), to the nearest nanosecond."""
        return seconds * 1_000_000_000 + (fraction * 1_000_000_000 + HALF >> 32)

    @cython.boundscheck(False)
    def _entity(self, kind, flags, at, body, stop, claimed):
        """What begins with reader, writer and a sequence number at `at`."""
        row: cython.Py_ssize_t = self.count
        number: cython.longlong = i64(self.data, self.little, at + 8)
        both: cython.ulonglong = u64be(self.data, at)
        entity: cython.uint = both & ONES
        self.reader[row] = both >> 32
        self.writer[row] = entity
        if entity == 0:
            entity = both >> 32
        self.m_flags[self.row] |= DISCOVERY if entity & 0x40 else USER_DATA
        self.sequence[row] = number
        if kind == ACKNACK:  # base 0 with no bits: sent by some before anything was heard
            if number < 0:
                return self._bad(F_SEQUENCE)
            return self._set(at + 16, stop, claimed, 1)
        if number <= 0:
            return self._bad(F_SEQUENCE)
        if kind in (DATA, DATA_FRAG):
            return self._data(kind, flags, body, stop, claimed)
        if kind == HEARTBEAT:
            self.base[row] = number
            self.sequence[row] = i64(self.data, self.little, at + 16)
            self.count_field[row] = u32(self.data, self.little, at + 24)
            if self.sequence[row] < number - 1:  # 8.3.8.6.3
                return self._bad(F_SEQUENCE)
        elif kind == GAP:
            self.base[row] = i64(self.data, self.little, at + 16)
            if self.base[row] <= 0:
                return self._bad(F_SEQUENCE)
            return self._set(at + 24, stop, claimed, 0)
        elif kind == HEARTBEAT_FRAG:
            self.fragment[row] = u32(self.data, self.little, at + 16)
            self.count_field[row] = u32(self.data, self.little, at + 20)
        elif kind == NACK_FRAG:
            self.fragment[row] = u32(self.data, self.little, at + 16)
            return self._set(at + 20, stop, claimed, 1)
        return 1

    @cython.boundscheck(False)
    def _set(self, at, stop, claimed, counted):
        """numBits and bitmap words (9.4.2.6: bit 0 is the highest of word 0), then perhaps a count."""
        row: cython.Py_ssize_t = self.count
        bits: cython.uint = u32(self.data, self.little, at)
        words: cython.int
        word: cython.int
        value: cython.uint
        named: cython.uint = 0
        if bits > SET_BITS:
            return self._bad(F_SET)
        words = (bits + 31) >> 5
        at += 4
        if at + 4 * words + 4 * counted > stop:
            self.faults[F_SHORT] += claimed == stop
            return 0
        for word in range(words):
            value = u32(self.data, self.little, at + 4 * word)
            if word == words - 1 and bits & 31 != 0:
                value >>= 32 - (bits & 31)
            named += ones(value)
        self.extent[row] = bits
        self.named[row] = named
        self.payload_at[row] = at
        self.payload_length[row] = 4 * words
        if counted:
            self.count_field[row] = u32(self.data, self.little, at + 4 * words)
        return 1

    @cython.boundscheck(False)
    def _data(self, kind, flags, body, stop, claimed):
        """Inline QoS and payload of DATA (9.4.5.4) and DATA_FRAG (9.4.5.5)."""
        row: cython.Py_ssize_t = self.count
        at: cython.Py_ssize_t = body + 4 + u16(self.data, self.little, body + 2)
        after: cython.Py_ssize_t
        if kind == DATA_FRAG:
            self.fragment[row] = u32(self.data, self.little, body + 20)
            self.fragments[row] = u16(self.data, self.little, body + 24)
            self.fragment_size[row] = u16(self.data, self.little, body + 26)
            self.sample_size[row] = u32(self.data, self.little, body + 28)
            if self._bad_fragment(row):
                return self._bad(F_FRAGMENT)
        if at < body + self.least[kind] or at > claimed:
            return self._bad(F_SHORT)
        at = min(at, stop)
        if flags & 2:
            after = self._skip_parameters(at, stop)
            if after < 0:
                if claimed == stop:
                    return self._bad(F_QOS)
                after = stop
            self.inline_length[row] = after - at
            at = after
        self.payload_at[row] = at
        self.payload_length[row] = stop - at if kind == DATA_FRAG or flags & 0x0C else 0
        return 1

    @cython.boundscheck(False)
    def _bad_fragment(self, row):
        """The conditions of 8.3.8.3.3, as far as the header shows them."""
        first: cython.ulonglong = self.fragment[row]
        size: cython.ulonglong = self.fragment_size[row]
        if first == 0 or size == 0 or self.fragments[row] == 0 or size > self.sample_size[row]:
            return True
        return (first + self.fragments[row] - 2) * size >= self.sample_size[row]

    def _skip_parameters(self, at, stop):
        """Where a parameter list ends (9.4.2.11: PID_SENTINEL is 1, its length is nothing); -1: nowhere."""
        kind: cython.int
        while at + 4 <= stop:
            kind = u16(self.data, self.little, at)
            if kind == 1:
                return at + 4
            at += 4 + u16(self.data, self.little, at + 2)
        return -1
