# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""What all folds share: three-word keys by open addressing, and tallies.

Compiled from this same file; its types stand in `_keys.pxd`, since the other kernels call it without the
interpreter.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

MASK64 = cython.declare(cython.ulonglong, 0xFFFFFFFFFFFFFFFF)
MIX_A = cython.declare(cython.ulonglong, 0x9E3779B97F4A7C15)  # Steele, Lea and Flood 2014 (SplitMix64)
MIX_B = cython.declare(cython.ulonglong, 0xBF58476D1CE4E5B9)
MIX_C = cython.declare(cython.ulonglong, 0x94D049BB133111EB)


def tally(record, k, at, time_ns, packet, size):
    """Count one thing in the six columns of record k from `at` (see records.TALLY).

    Things come out of their order: a datagram that never became whole is given up long after others.
    """
    if record[k, at] == 0 or time_ns < record[k, at + 2]:
        record[k, at + 2] = time_ns
        record[k, at + 3] = packet
    if record[k, at] == 0 or time_ns >= record[k, at + 4]:
        record[k, at + 4] = time_ns
        record[k, at + 5] = packet
    record[k, at] += 1
    record[k, at + 1] += size
    return 0


class Keys:
    """Three-word keys to places 0, 1, 2, ... in the order of their first appearance.

    `refused` counts look-ups of keys for which there was no room.
    """

    def __init__(self, words: Any, slots: Any) -> None:
        """`words` u8 [limit, 3], `slots` i4 [2 * limit], both zeroed; limit a power of two."""
        self.words = words
        self.slots = slots
        self.limit = words.shape[0]
        self.mask = 2 * self.limit - 1
        self.used = 0
        self.refused = 0

    def find(self, a, b, c, create):
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
            self.refused += 1
            return -1
        k = self.used
        self.words[k, 0] = a
        self.words[k, 1] = b
        self.words[k, 2] = c
        self.slots[at] = k + 1
        self.used += 1
        return k

    def refill(self, count: Any) -> None:
        """Only the first `count` keys of `words` are there from now on, at their places."""
        k: cython.Py_ssize_t
        slot: cython.Py_ssize_t
        for slot in range(self.slots.shape[0]):
            self.slots[slot] = 0
        self.used = 0
        for k in range(count):
            self.find(self.words[k, 0], self.words[k, 1], self.words[k, 2], True)
