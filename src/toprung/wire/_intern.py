# cython: boundscheck=True, wraparound=False, initializedcheck=False
# mypy: ignore-errors
# (C types: Cython checks them)
"""128-bit keys (IP addresses, GUID prefixes) -> small numbers, by open addressing, in bounded memory.

Compiled from this same file; uncompiled it is oracle and fallback.  Types stand in `_intern.pxd`, since
other kernels call `index` without the interpreter.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

FACTOR = cython.declare(cython.ulonglong, 0x9E3779B97F4A7C15)
MASK = cython.declare(cython.ulonglong, (1 << 64) - 1)


class Intern:
    """Numbers keys from 1 in order of first sight.  `high`, `low` [capacity]; `slots` [a power of two].

    What comes after the tables are full gets number 0 and is counted in `refused`.
    """

    def __init__(self, high: Any, low: Any, slots: Any) -> None:
        self.high = high
        self.low = low
        self.slots = slots
        self.count = 1
        self.refused = 0

    def index(self, high, low):  # type: ignore[no-untyped-def]
        """The key's number."""
        mask: cython.ulonglong = self.slots.shape[0] - 1
        place: cython.ulonglong = (high ^ low ^ low >> 32) * FACTOR & MASK
        place = place >> 40 & mask
        row: cython.uint = self.slots[place]
        while row != 0:
            if self.low[row] == low and self.high[row] == high:
                return row
            place = place + 1 & mask
            row = self.slots[place]
        if self.count >= self.low.shape[0]:
            self.refused += 1
            return 0
        row = self.count
        self.high[row] = high
        self.low[row] = low
        self.slots[place] = row
        self.count += 1
        return row

    def refill(self, count: Any) -> None:
        """Only the keys in `high` and `low` below `count` are there from now on, under their numbers."""
        row: cython.uint
        slot: cython.Py_ssize_t
        for slot in range(self.slots.shape[0]):
            self.slots[slot] = 0
        self.count = 1
        for row in range(1, count):
            self.index(self.high[row], self.low[row])
