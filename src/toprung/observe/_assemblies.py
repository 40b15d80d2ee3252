# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""Samples that come in DATA_FRAG submessages (DDSI-RTPS 2.5, 8.3.8.3), put together a few at a time.

Compiled from this same file; its types stand in `_assemblies.pxd`, since the samples' kernel calls it
without the interpreter.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

from toprung.wire.columns import NO_TIME

ONE = cython.declare(cython.ulonglong, 1)
TIMELESS = cython.declare(cython.longlong, NO_TIME)


class Assemblies:
    """Rows of a few slots; each slot holds one sample's number, count of fragments, and which ones came.

    A sample's fragments beyond those that fit the bitmap are counted only.
    """

    def __init__(self, slots: Any, pieces: Any) -> None:
        """`slots` i8 [rows, slots, 3]: number (0: free), count, stamp; `pieces` u8 [rows, slots, words]."""
        self.slots = slots
        self.pieces = pieces
        self.used = 0
        self.dropped = 0
        self.stamp = TIMELESS

    def open(self):
        """A row of its own for one more stream; -1: there is none left."""
        if self.used >= self.slots.shape[0]:
            return -1
        self.used += 1
        return self.used - 1

    def put(self, row, sequence, first, n, total, stamp):
        """Fragments first .. first + n - 1 of `total` (counted from 1) have come; 1: the sample is complete.

        `dropped` is the number of the incomplete sample that had to make room, 0 where none had to.  A source
        timestamp may come with one of the fragments only: `stamp` is the complete sample's.
        """
        slot: cython.Py_ssize_t = self._slot(row, sequence)
        if stamp != TIMELESS:
            self.slots[row, slot, 2] = stamp
        fragment: cython.longlong
        bit: cython.ulonglong
        room: cython.longlong = self.pieces.shape[2] << 6
        for fragment in range(first - 1, first - 1 + n):
            bit = ONE << (fragment & 63)
            if fragment >= room:
                self.slots[row, slot, 1] += 1
            elif not self.pieces[row, slot, fragment >> 6] & bit:
                self.pieces[row, slot, fragment >> 6] |= bit
                self.slots[row, slot, 1] += 1
        if self.slots[row, slot, 1] < total:
            return 0
        self.slots[row, slot, 0] = 0
        self.stamp = self.slots[row, slot, 2]
        return 1

    def _slot(self, row, sequence):
        """The sample's slot; the oldest sample makes room for a new one."""
        slot: cython.Py_ssize_t
        word: cython.Py_ssize_t
        oldest: cython.Py_ssize_t = 0
        self.dropped = 0
        for slot in range(self.slots.shape[1]):
            if self.slots[row, slot, 0] == sequence:
                return slot
            if self.slots[row, slot, 0] < self.slots[row, oldest, 0]:
                oldest = slot
        self.dropped = self.slots[row, oldest, 0]
        self.slots[row, oldest, 0] = sequence
        self.slots[row, oldest, 1] = 0
        self.slots[row, oldest, 2] = TIMELESS
        for word in range(self.pieces.shape[2]):
            self.pieces[row, oldest, word] = 0
        return oldest
