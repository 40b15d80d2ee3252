"""Where a scan's bytes come from: one buffer, or chunks that are joined in a reused page-aligned buffer."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from mmap import mmap

Octets = bytes | bytearray | memoryview | mmap


class Source:
    """A window on a capture.  `view[at:end]` is there; `base` is the window's place in the capture.

    A maker of chunks that knows its data end too early raises EOFError with words, which become `cut`.
    """

    def __init__(self, chunks: Octets | Iterable[Octets]) -> None:
        self.base = 0
        self.cut: str | None = None
        self._chunks: Iterator[Octets] | None = None
        self._waiting = memoryview(b"")
        self._buffer = memoryview(b"")
        if isinstance(chunks, bytes | bytearray | memoryview | mmap):
            self.view = memoryview(chunks).cast("B")
            self.end = len(self.view)
        else:
            self._chunks = iter(chunks)
            self._resize(1 << 22)
            self.end = 0

    def _resize(self, size: int) -> None:
        old = self._buffer
        self._buffer = memoryview(mmap(-1, size))
        self._buffer[: len(old)] = old
        self.view = self._buffer.toreadonly()

    def _next(self) -> Octets | None:
        assert self._chunks is not None
        try:
            return next(self._chunks, None)
        except EOFError as early:
            self.cut = str(early) or "the capture ends early"
            self._chunks = iter(())
            return None

    def add(self, at: int, chunk: Octets) -> int:
        """Drop what stands before `at`, append a chunk; where what was at `at` stands now."""
        added = memoryview(chunk).cast("B")
        self._keep(at)
        while self.end + len(added) > len(self._buffer):
            self._resize(2 * len(self._buffer))
        self._buffer[self.end : self.end + len(added)] = added
        self.end += len(added)
        return 0

    def _keep(self, at: int) -> None:
        kept = self.end - at
        self._buffer[:kept] = bytes(self._buffer[at : self.end])
        self.base += at
        self.end = kept

    def more(self, at: int, wanted: int) -> int | None:
        """Drop what stands before `at`, bring at least `wanted` octets from there; where they stand now.

        None: the capture ends before that.
        """
        if self._chunks is None:
            return None if at + wanted > self.end else at
        self._keep(at)
        while wanted > len(self._buffer):
            self._resize(2 * len(self._buffer))
        while self.end < len(self._buffer):
            if not self._waiting:
                chunk = self._next()
                if chunk is None:
                    break
                self._waiting = memoryview(chunk).cast("B")
                continue
            part = self._waiting[: len(self._buffer) - self.end]
            self._buffer[self.end : self.end + len(part)] = part
            self.end += len(part)
            self._waiting = self._waiting[len(part) :]
        return None if self.end < wanted else 0
