# cython: boundscheck=True, wraparound=False, initializedcheck=False
# mypy: ignore-errors
# (C types: Cython checks them)
"""Message rows -> fingerprints, by which one datagram is found again in another capture.

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

from toprung.wire.columns import MessageFlag, shortest

if not cython.compiled:
    from toprung.wire._bytes import digest

FACTOR = cython.declare(cython.ulonglong, 0x9E3779B97F4A7C15)
MASK = cython.declare(cython.ulonglong, (1 << 64) - 1)
PRINTED = cython.declare(cython.int, 96)  # octets of a UDP payload that its fingerprint covers
FRAGMENTED = cython.declare(cython.int, int(MessageFlag.FRAGMENTED))


@cython.cfunc
@cython.inline
@cython.nogil
@cython.exceptval(check=False)
def _mix(state: cython.ulonglong, word: cython.ulonglong) -> cython.ulonglong:
    state = (state ^ word) * FACTOR & MASK
    return state ^ state >> 29


class Fingerprints:
    """Fills the `print` column of message rows."""

    def __init__(self, messages: Any, addresses: Any) -> None:
        m = messages
        self.fingerprint, self.flags, self.size = m["print"], m["flags"], m["size"]
        self.source, self.target = m["source"], m["target"]
        self.source_port, self.target_port = m["source_port"], m["target_port"]
        self.begin, self.room, self.ip_id = m["begin"], m["room"], m["ip_id"]
        self.addresses = addresses
        self.capacity = shortest(messages)

    def start(self, captured: Any, joined: Any) -> None:
        """Start a block; where its messages stand, and those that were joined from pieces."""
        self.captured = self.data = captured
        self.joined = joined

    @cython.boundscheck(False)
    def _run(self, first, rows):
        """Print rows [first, rows)."""
        row: cython.Py_ssize_t
        switched: cython.bint = False
        self.data = self.captured
        for row in range(first, min(rows, self.capacity)):
            if ((self.flags[row] & FRAGMENTED) != 0) != switched:
                switched = not switched
                self.data = self.joined if switched else self.captured
            self.fingerprint[row] = self._of(row)
        return 0

    @cython.boundscheck(False)
    def _of(self, row):
        """Addresses, ports, IP identification, UDP length, first octets of a datagram.

        Neither link type, VLAN, time to live nor checksums go in.  0 (no fingerprint) where the packet was
        cut, or joined without its end, within those octets.
        """
        size: cython.Py_ssize_t = min(self.size[row], PRINTED)
        source: cython.Py_ssize_t = self.source[row]
        target: cython.Py_ssize_t = self.target[row]
        one: cython.ulonglong = self.source_port[row]
        other: cython.ulonglong = self.ip_id[row]
        if self.room[row] < size:
            return 0
        one = _mix(one << 16 | self.target_port[row], self.addresses.low[source])
        other = _mix(other << 32 | self.size[row], self.addresses.low[target])
        one = _mix(one, self.addresses.high[source])
        other = _mix(other, self.addresses.high[target])
        one = digest(self.data, self.begin[row], size, _mix(one, other))
        return one if one != 0 else 1
