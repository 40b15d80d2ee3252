# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""Log histograms, as many as need be, in one table.

Compiled from this same file; its types stand in `_histograms.pxd`, since the other kernels call it without
the interpreter.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

from toprung.observe import records

FLOOR_BITS = cython.declare(cython.int, records.FLOOR_BITS)
SUB_BITS = cython.declare(cython.int, records.SUB_BITS)
SUB_MASK = cython.declare(cython.longlong, (1 << records.SUB_BITS) - 1)


class Histograms:
    """`counts` u4 [histograms, bins]; a handle is a row plus one, and 0 is a histogram yet to be opened."""

    def __init__(self, counts: Any) -> None:
        self.counts = counts
        self.used = 0

    def add(self, handle, value):
        """Count a value, which must not be negative; the handle from now on, 0 where there is no room."""
        octave: cython.int = 0
        step: cython.int = 32
        rest: cython.longlong = value >> FLOOR_BITS
        place: cython.longlong = 0
        if handle == 0:
            if self.used >= self.counts.shape[0]:
                return 0
            self.used += 1
            handle = self.used
        if rest > 0:
            while step > 0:
                if rest >> step:
                    rest >>= step
                    octave += step
                step >>= 1
            place = (octave << SUB_BITS) + ((value >> (octave + FLOOR_BITS - SUB_BITS)) & SUB_MASK)
            if place >= self.counts.shape[1]:
                place = self.counts.shape[1] - 1
        self.counts[handle - 1, place] += 1
        return handle

    def measure(self, record, k, at, value):
        """Count a value; the record's columns from `at` are handle, least and most."""
        if record[k, at] == 0 or value < record[k, at + 1]:
            record[k, at + 1] = value
        if value > record[k, at + 2]:
            record[k, at + 2] = value
        record[k, at] = self.add(record[k, at], value)
        return 0
