# cython: boundscheck=True, wraparound=False, initializedcheck=False
# mypy: ignore-errors
# (C types: Cython checks them)
"""Pieces (IP fragments) -> whole datagrams (RFC 791, 3.2; RFC 8200, 4.5), in bounded memory.

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.  Pieces may
come in any order, twice, and overlapping (what came first stays).  A datagram that is not whole after 30 s
of capture time, or when its place is needed, or at the end, is let go as INCOMPLETE with the head that is
there; without a head nobody can say whose it was, so it is only counted.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

from toprung.wire.columns import MessageFlag
from toprung.wire.faults import Fault

if not cython.compiled:
    from toprung.wire._bytes import u16be, u32le

OPEN = cython.declare(cython.int, 1)
DONE = cython.declare(cython.int, 2)
LARGEST = cython.declare(cython.int, 65536)  # octets that one place holds
UNITS = cython.declare(cython.int, 8192)  # of 8 octets, the grain of fragments
PATIENCE_NS = cython.declare(cython.longlong, 30 * 10**9)  # RFC 791 and Linux: 15..30 s
ECHO_NS = cython.declare(cython.longlong, 10**8)  # how long pieces of a finished datagram count as duplicates
MAGIC = cython.declare(cython.uint, int.from_bytes(b"RTPS", "little"))
FRAGMENTED = cython.declare(cython.int, int(MessageFlag.FRAGMENTED))
INCOMPLETE = cython.declare(cython.int, int(MessageFlag.INCOMPLETE))
CUT = cython.declare(cython.int, int(MessageFlag.CUT))
F_FRAGMENT = cython.declare(cython.int, int(Fault.FRAGMENT))


class Fragments:
    """Takes pieces out of the message rows, puts whole datagrams in their place.

    Places form a ring: a new datagram takes the next, whose own datagram (the oldest) is let go.
    """

    def __init__(self, messages: Any, places: Any, mask: Any, store: Any, faults: Any) -> None:
        m, p = messages, places
        self.time_ns, self.packet, self.interface = m["time_ns"], m["packet"], m["interface"]
        self.source, self.target = m["source"], m["target"]
        self.source_port, self.target_port = m["source_port"], m["target_port"]
        self.ttl, self.flags, self.size, self.wire_bytes = m["ttl"], m["flags"], m["size"], m["wire_bytes"]
        self.fragments, self.begin, self.room = m["fragments"], m["begin"], m["room"]
        self.ip_id, self.piece = m["ip_id"], m["piece"]
        self.s_state, self.s_source, self.s_target = p["state"], p["source"], p["target"]
        self.s_id, self.s_interface, self.s_flags, self.s_ttl = p["id"], p["interface"], p["flags"], p["ttl"]
        self.s_first_ns, self.s_last_ns, self.s_first_at = p["first_ns"], p["last_ns"], p["first_at"]
        self.s_packet, self.s_total, self.s_cut, self.s_units = p["packet"], p["total"], p["cut"], p["units"]
        self.s_high, self.s_wire, self.s_pieces = p["high"], p["wire"], p["pieces"]
        self.s_next, self.heads = p["next"], p["heads"]
        self.mask, self.store, self.faults = mask, store, faults
        self.data = self.joined = store[:0]
        self.cursor = 0
        self.oldest = 0
        self.headless = 0

    def _held(self):
        """An upper bound of the octets in unfinished datagrams."""
        total: cython.Py_ssize_t = 0
        place: cython.Py_ssize_t
        if self.oldest != self.cursor:
            for place in range(self.s_state.shape[0]):
                if self.s_state[place] == OPEN:
                    total += 8 * self.s_high[place]
        return total

    def attach(self, data: Any, joined: Any, silent: Any) -> None:
        """Before each block: where its pieces stand, and where whole datagrams go.

        `joined` must have room for `_held()` and all pieces of this block; `silent` swallows what comes out.
        """
        self.data = data
        self.joined = joined
        self.filled = 0
        self.silent = silent

    def _expire(self, count, now):
        """Let go what waits too long by capture time `now`, behind `count` rows; how many there are then."""
        while self.oldest != self.cursor:
            if self.s_state[self.oldest] == OPEN:
                if now - self.s_first_ns[self.oldest] <= PATIENCE_NS:
                    break
                count += self._emit(self.oldest, count)
            self.oldest = self._after(self.oldest)
        return count

    def forget(self, begun_before: Any) -> None:
        """Drop what began before that offset; of the rest forget which packets brought it (0 from now on)."""
        place: cython.Py_ssize_t
        limit: cython.longlong = begun_before
        for place in range(self.s_state.shape[0]):
            self.s_packet[place] = 0
            if self.s_state[place] == OPEN and self.s_first_at[place] < limit:
                self.s_state[place] = DONE
        self.headless = 0

    def finish(self, begun_before: Any) -> Any:
        """Let every unfinished datagram go that began before that offset; how many rows there are."""
        count: cython.Py_ssize_t = 0
        place: cython.int
        limit: cython.longlong = begun_before
        while self.oldest != self.cursor:
            place = self.oldest
            if self.s_state[place] == OPEN and self.s_first_at[place] < limit:
                count += self._emit(place, count)
            self.s_state[place] = DONE
            self.oldest = self._after(place)
        return count

    def _after(self, place):
        return 0 if place + 1 >= self.s_state.shape[0] else place + 1

    def _chain(self, source, target, ident):
        hashed: cython.uint = source * 31 + target * 17 + ident * 7 + (ident >> 10)
        return hashed % cython.cast(cython.uint, self.heads.shape[0])

    def _find(self, row):
        place: cython.int = self.heads[self._chain(self.source[row], self.target[row], self.ip_id[row])]
        while place >= 0:
            if (
                self.s_id[place] == self.ip_id[row]
                and self.s_source[place] == self.source[row]
                and self.s_target[place] == self.target[row]
                and self.s_interface[place] == self.interface[row]
            ):
                return place
            place = self.s_next[place]
        return -1

    def add(self, row):
        """The piece at message row `row`.  1: a datagram came out, and stands in that row instead."""
        place: cython.int = self._find(row)
        emitted: cython.int = 0
        self.p_begin = self.begin[row]
        self.p_room = self.room[row]
        self.p_size = self.size[row]
        self.p_piece = self.piece[row]
        if place >= 0 and self.s_state[place] == DONE:
            if self.time_ns[row] - self.s_last_ns[place] <= ECHO_NS:
                return 0
            place = -1
        if place < 0:
            place = self.cursor
            self.cursor = self._after(place)
            if self.cursor == self.oldest:  # the ring is full
                emitted = self._open(row, place, self.oldest)
                self.oldest = self._after(self.oldest)
            else:
                emitted = self._open(row, place, -1)
        elif self.time_ns[row] - self.s_first_ns[place] > PATIENCE_NS or self._differs(place):
            emitted = self._open(row, place, place)
        else:
            self._note(row, place)
        self._put(place)
        if self.s_total[place] >= 0 and self.s_units[place] * 8 >= self.s_total[place]:
            if self._after(place) == self.cursor:
                self.cursor = place  # the next datagram takes the same place, while it is in the cache
            return self._emit(place, row)
        return emitted

    def _differs(self, place):
        """Whether this is a second, different head: the sender has used the identification again."""
        at: cython.Py_ssize_t = place
        at *= LARGEST
        if (
            self.p_piece >> 1 != 0
            or self.p_room < 8
            or self.mask[cython.cast(cython.Py_ssize_t, place) * UNITS] == 0
        ):
            return False
        return u32le(self.store, at) != u32le(self.data, self.p_begin) or u32le(self.store, at + 4) != u32le(
            self.data, self.p_begin + 4
        )

    def _open(self, row, place, victim):
        """Begin a datagram with the piece at `row`.  1: the victim's came out unfinished, into that row."""
        chain: cython.Py_ssize_t = self._chain(self.source[row], self.target[row], self.ip_id[row])
        mask: cython.Py_ssize_t = place
        unit: cython.Py_ssize_t
        emitted: cython.int = 0
        source: cython.uint = self.source[row]
        target: cython.uint = self.target[row]
        ident: cython.uint = self.ip_id[row]
        interface: cython.ushort = self.interface[row]
        ttl: cython.uchar = self.ttl[row]
        flags: cython.uchar = self.flags[row]
        time_ns: cython.longlong = self.time_ns[row]
        packet: cython.uint = self.packet[row]
        wire: cython.uint = self.wire_bytes[row]
        if self.s_state[place] != 0:
            self._unlink(place)
        if victim >= 0 and self.s_state[victim] == OPEN:
            emitted = self._emit(victim, row)
        mask *= UNITS
        for unit in range(self.s_high[place]):
            self.mask[mask + unit] = 0
        self.s_state[place] = OPEN
        self.s_source[place], self.s_target[place] = source, target
        self.s_id[place], self.s_interface[place] = ident, interface
        self.s_flags[place], self.s_ttl[place] = flags & ~CUT, ttl
        self.s_first_ns[place], self.s_last_ns[place] = time_ns, time_ns
        self.s_first_at[place], self.s_packet[place] = self.p_begin, packet
        self.s_total[place], self.s_cut[place] = -1, LARGEST
        self.s_units[place], self.s_high[place] = 0, 0
        self.s_wire[place], self.s_pieces[place] = wire, 1
        self.s_next[place] = self.heads[chain]
        self.heads[chain] = place
        return emitted

    def _note(self, row, place):
        self.s_last_ns[place] = self.time_ns[row]
        self.s_packet[place] = self.packet[row]
        self.s_wire[place] += self.wire_bytes[row]
        self.s_pieces[place] += 1
        return 0

    def _unlink(self, place):
        chain: cython.Py_ssize_t = self._chain(self.s_source[place], self.s_target[place], self.s_id[place])
        step: cython.int = self.heads[chain]
        if step == place:
            self.heads[chain] = self.s_next[place]
            return 0
        while step >= 0:
            if self.s_next[step] == place:
                self.s_next[step] = self.s_next[place]
                return 0
            step = self.s_next[step]
        return 0

    def _put(self, place):
        """Copy what is new of the piece in hand."""
        offset: cython.int = self.p_piece >> 1
        size: cython.int = self.p_size
        mask: cython.Py_ssize_t = place
        store: cython.Py_ssize_t = place
        first: cython.Py_ssize_t = offset >> 3
        last: cython.Py_ssize_t = (offset + size + 7) >> 3
        unit: cython.Py_ssize_t
        known: cython.Py_ssize_t = 0
        total: cython.int = self.s_total[place]
        mask *= UNITS
        store *= LARGEST
        if self.p_piece & 1 == 0:
            if (total >= 0 and total != offset + size) or self.s_high[place] > last:
                self.faults[F_FRAGMENT] += 1
                return 0
            self.s_total[place] = offset + size
        elif total >= 0 and offset + size > total:
            self.faults[F_FRAGMENT] += 1
            return 0
        for unit in range(first, last):
            known += self.mask[mask + unit]
        if known == last - first:
            return 0
        if self.p_room < size and offset + self.p_room < self.s_cut[place]:
            self.s_cut[place] = offset + self.p_room
        if known == 0:
            if self.p_room > 0:
                self.store[store + offset : store + offset + self.p_room] = self.data[
                    self.p_begin : self.p_begin + self.p_room
                ]
            for unit in range(first, last):
                self.mask[mask + unit] = 1
        else:
            self._patch(mask, store, first, last)
        self.s_units[place] += last - first - known
        self.s_high[place] = max(self.s_high[place], last)
        return 0

    def _patch(self, mask, store, first, last):
        """Copy the units of an overlapping piece that were not there."""
        unit: cython.Py_ssize_t
        octet: cython.Py_ssize_t
        at: cython.Py_ssize_t
        for unit in range(first, last):
            if self.mask[mask + unit] != 0:
                continue
            self.mask[mask + unit] = 1
            at = 8 * (unit - first)
            for octet in range(at, min(at + 8, cython.cast(cython.Py_ssize_t, self.p_room))):
                self.store[store + 8 * first + octet] = self.data[self.p_begin + octet]
        return 0

    def _emit(self, place, out):
        """Let a datagram go; 1: it carries RTPS (as far as its head tells) and stands in row `out`."""
        total: cython.longlong = self.s_total[place]
        whole: cython.bint = total >= 0 and self.s_units[place] * 8 >= total
        there: cython.longlong = self._head(place, total if whole else -1)
        length: cython.longlong
        store: cython.Py_ssize_t = place
        self.s_state[place] = DONE
        if self.silent:
            return 0
        store *= LARGEST
        if there < 12 or u32le(self.store, store + 8) != MAGIC:
            if there < 12 and not whole:
                self.headless += 1
            return 0
        length = u16be(self.store, store + 4)
        if length < 8:
            length = total if total >= 0 else there
        if there > length:
            there = length
        if self.filled + there > self.joined.shape[0]:
            self.headless += 1  # cannot be: the caller sized `joined` by `held`
            return 0
        self.joined[self.filled : self.filled + there] = self.store[store : store + there]
        self.time_ns[out] = self.s_last_ns[place]
        self.packet[out] = self.s_packet[place]
        self.interface[out] = self.s_interface[place]
        self.source[out] = self.s_source[place]
        self.target[out] = self.s_target[place]
        self.source_port[out] = u16be(self.store, store)
        self.target_port[out] = u16be(self.store, store + 2)
        self.ttl[out] = self.s_ttl[place]
        self.flags[out] = self.s_flags[place] | FRAGMENTED | (0 if whole else INCOMPLETE)
        if whole and there < length:
            self.flags[out] |= CUT
        self.size[out] = length - 8
        self.wire_bytes[out] = self.s_wire[place]
        self.fragments[out] = self.s_pieces[place]
        self.begin[out] = self.filled + 8
        self.room[out] = there - 8
        self.ip_id[out] = self.s_id[place]
        self.piece[out] = -1
        self.filled += there
        return 1

    def _head(self, place, total):
        """Octets from the beginning that are there without a hole."""
        mask: cython.Py_ssize_t = place
        unit: cython.Py_ssize_t = 0
        there: cython.longlong = total
        mask *= UNITS
        if total < 0:
            while unit < self.s_high[place] and self.mask[mask + unit] != 0:
                unit += 1
            there = 8 * unit
            if self.s_total[place] >= 0 and there > self.s_total[place]:
                there = self.s_total[place]
        return min(there, cython.cast(cython.longlong, self.s_cut[place]))
