# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""Events in queues whose times only grow, and a heap over the queues' heads.

Compiled from this same file; its types stand in `_events.pxd`, since the simulation calls it without the
interpreter.  Tie order: time, then the queue's number, then the order of pushing.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

NONE = cython.declare(cython.longlong, -1)


class Events:
    """`times` f8, `words` i8, `after` i8: records; `head`, `tail`, `heap` i8: one a queue."""

    def __init__(self, records: dict[str, Any], queues: dict[str, Any]) -> None:
        self.attach(records)
        self.head = memoryview(queues["head"])
        self.tail = memoryview(queues["tail"])
        self.heap = memoryview(queues["heap"])
        self.size = 0
        self.spare = -1
        self.used = 0
        self.now = 0.0

    def attach(self, records: dict[str, Any]) -> None:
        """Records anew, as many or more, the same contents first."""
        self.times = memoryview(records["times"])
        self.words = memoryview(records["words"])
        self.after = memoryview(records["after"])

    @property
    def clock(self) -> float:
        """The time of the last event."""
        return self.now

    def room(self):
        """Records that were never used."""
        return self.times.shape[0] - self.used

    def push(self, queue, time, word):
        record: cython.longlong = self.spare
        if record >= 0:
            self.spare = self.after[record]
        else:
            record = self.used
            self.used += 1
        self.times[record] = time
        self.words[record] = word
        self.after[record] = NONE
        if self.head[queue] < 0:
            self.head[queue] = record
            self.heap[self.size] = queue
            self.size += 1
            self._rise(self.size - 1)
        else:
            self.after[self.tail[queue]] = record
        self.tail[queue] = record
        return 0

    def pop(self, end):
        """The next event's word, and `now` its time; -1: there is none up to the end."""
        queue: cython.Py_ssize_t
        record: cython.longlong
        if self.size == 0:
            return -1
        queue = self.heap[0]
        record = self.head[queue]
        if self.times[record] > end:
            return -1
        self.head[queue] = self.after[record]
        self.after[record] = self.spare
        self.spare = record
        if self.head[queue] < 0:
            self.size -= 1
            self.heap[0] = self.heap[self.size]
        if self.size:
            self._sink()
        self.now = self.times[record]
        return self.words[record]

    def _before(self, one, other):
        a: cython.double = self.times[self.head[one]]
        b: cython.double = self.times[self.head[other]]
        if a < b:
            return True
        return a == b and one < other

    def _rise(self, at):
        queue: cython.Py_ssize_t = self.heap[at]
        parent: cython.Py_ssize_t
        while at > 0:
            parent = (at - 1) >> 1
            if not self._before(queue, self.heap[parent]):
                break
            self.heap[at] = self.heap[parent]
            at = parent
        self.heap[at] = queue
        return 0

    def _sink(self):
        at: cython.Py_ssize_t = 0
        child: cython.Py_ssize_t
        queue: cython.Py_ssize_t = self.heap[0]
        while True:
            child = 2 * at + 1
            if child >= self.size:
                break
            if child + 1 < self.size and self._before(self.heap[child + 1], self.heap[child]):
                child += 1
            if not self._before(self.heap[child], queue):
                break
            self.heap[at] = self.heap[child]
            at = child
        self.heap[at] = queue
        return 0
