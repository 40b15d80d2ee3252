# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""The way between two machines: delay, loss, and the receiver's queue.

Compiled from this same file; its types stand in `_transit.pxd`, since the simulation calls it without the
interpreter.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

MASK64 = cython.declare(cython.ulonglong, 0xFFFFFFFFFFFFFFFF)
STEP = cython.declare(cython.ulonglong, 0x9E3779B97F4A7C15)  # SplitMix64 (Steele, Lea and Flood, 2014)
MIX1 = cython.declare(cython.ulonglong, 0xBF58476D1CE4E5B9)
MIX2 = cython.declare(cython.ulonglong, 0x94D049BB133111EB)
TO_ONE = cython.declare(cython.double, 2.0**-53)


class Transit:
    """Arrays by the names of the fields.

    latency (s), passes (share), resolved (s; negative: nobody asked yet) are [from, to]; of machines are
    service (s a datagram), room (s of work that waits at most), free, sent, received, dropped, stamp.
    """

    def __init__(self, arrays: dict[str, Any], seed: int) -> None:
        self.latency = memoryview(arrays["latency"])
        self.passes = memoryview(arrays["passes"])
        self.resolved = memoryview(arrays["resolved"])
        self.service = memoryview(arrays["service"])
        self.room = memoryview(arrays["room"])
        self.free = memoryview(arrays["free"])
        self.sent = memoryview(arrays["sent"])
        self.received = memoryview(arrays["received"])
        self.dropped = memoryview(arrays["dropped"])
        self.stamp = memoryview(arrays["stamp"])
        self.cast = 0
        self.seed = seed

    def arrives(self, here, there, weight, cast, t):
        """When a machine will be done with so many datagrams sent now; -1: it never will.

        A multicast (`cast`) was counted by who sent it, and is counted once by each machine.
        """
        begin: cython.double
        share: cython.double
        if here == there:
            return max(self.free[there], t)
        if not cast:
            self.sent[here] += weight
        share = self.passes[here, there]
        if share < 1.0 and self.chance() >= share**weight:
            return -1.0
        if not cast or self.stamp[there] != self.cast:
            self.received[there] += weight
            if cast:
                self.stamp[there] = self.cast
        if not cast:
            self._resolve(here, there, t)
            t = max(t, self.resolved[here, there])
        t += self.latency[here, there]
        begin = max(self.free[there], t)
        if begin - t + weight * self.service[there] > self.room[there]:
            self.dropped[there] += weight
            return -1.0
        self.free[there] = begin + weight * self.service[there]
        return self.free[there]

    def touch(self, here, there, t):
        """A datagram to a port where nobody listens yet."""
        if here != there:
            self.sent[here] += 1
            self.received[there] += 1
            self._resolve(here, there, t)
        return 0

    def _resolve(self, here, there, t):
        """Ask for the other machine's address (RFC 826); by the question the other one learns ours."""
        if self.resolved[here, there] >= 0.0:
            return 0
        self.resolved[here, there] = t + self.latency[here, there] + self.latency[there, here]
        if self.resolved[there, here] < 0.0:
            self.resolved[there, here] = t + self.latency[here, there]
        return 0

    def chance(self):
        """Evenly from [0, 1)."""
        z: cython.ulonglong
        self.seed = (self.seed + STEP) & MASK64
        z = self.seed
        z = ((z ^ (z >> 30)) * MIX1) & MASK64
        z = ((z ^ (z >> 27)) * MIX2) & MASK64
        z = z ^ (z >> 31)
        return (z >> 11) * TO_ONE
