# cython: boundscheck=True, wraparound=False, initializedcheck=False
# mypy: ignore-errors
# (C types: Cython checks them)
"""All steps from capture bytes to a block of rows, in batches that stay in the processor's nearest cache.

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.  A whole
block is made without the interpreter's lock, so threads that read parts of a capture do not meet.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

FULL = cython.declare(cython.int, 1)  # as in _records: there may be more where that came from
PIECE = cython.declare(cython.longlong, 1 << 16)  # octets of the largest piece of a datagram


class Pipeline:
    """records -> datagrams -> fragments -> fingerprints -> submessages."""

    def __init__(
        self,
        records: Any,
        datagrams: Any,
        fragments: Any,
        fingerprints: Any,
        submessages: Any,
        batch: Any,
        limit: Any,
    ) -> None:
        self.records, self.datagrams, self.fragments = records, datagrams, fragments
        self.fingerprints, self.submessages = fingerprints, submessages
        self.batch = batch
        self.limit = limit
        self.packets = 0
        self.decoded = 0
        self.status = FULL
        self.silent = False
        self.printing = True  # whether fingerprints are made

    def start(self, captured: Any, joined: Any, silent: Any) -> None:
        """Start a block; where its packets stand, and where joined datagrams go.

        silent: join pieces only, make no rows.
        """
        self.records.attach(captured)
        self.fragments.attach(captured, joined, silent)
        self.datagrams.start(captured)
        self.fingerprints.start(captured, joined)
        self.submessages.start(captured, joined)
        self.decoded = 0
        self.silent = silent

    def forget(self) -> None:
        """Count packets from the next one on."""
        self.packets = 0

    def run(self, at: Any, end: Any, fraction_ns: Any) -> Any:
        """Fill the block from capture bytes [at, end); where reading stopped, `status` says why.

        Messages from `decoded` on found no room for their submessages: decode them after this block.
        """
        begin: cython.Py_ssize_t = at
        stop: cython.Py_ssize_t = end
        scale: cython.longlong = fraction_ns
        with cython.nogil:
            begin = self._run(begin, stop, scale)
        return begin

    def finish(self, begun_before: Any) -> None:
        """Fill the block with unfinished datagrams that began before that offset."""
        rows: cython.Py_ssize_t = self.fragments.finish(begun_before)
        self.datagrams.count = rows
        if self.printing:
            self.fingerprints._run(0, rows)
        self.decoded = self.submessages._messages(0, rows)

    def _run(self, at, end, scale):
        after: cython.Py_ssize_t
        count: cython.Py_ssize_t
        first: cython.Py_ssize_t
        pieces: cython.longlong
        self.status = FULL
        while max(self.datagrams.count, self.datagrams.asides) + self.batch <= self.limit:
            after = self.records._read(at, end, scale)
            count = self.records.count
            if count > 0:
                pieces = min(cython.cast(cython.longlong, after - at), count * PIECE)
                if self.fragments.filled + self.fragments._held() + pieces > self.fragments.joined.shape[0]:
                    return at  # they are read again for the next block
                first = self.datagrams.count
                self.datagrams._run(count, self.packets)
                self.packets += count
                self.datagrams.count = self.fragments._expire(
                    self.datagrams.count, self.records.time_ns[count - 1]
                )
                if self.silent:
                    self.datagrams.count = 0
                else:
                    if self.printing:
                        self.fingerprints._run(first, self.datagrams.count)
                    self.submessages.ahead = after
                    self.submessages.lines = min((after - at) // (64 * count) + 1, 32)
                    self.decoded = self.submessages._messages(first, self.datagrams.count)
                    if self.decoded < self.datagrams.count:
                        return after
            at = after
            if self.records.status != FULL:
                self.status = self.records.status
                return at
        return at
