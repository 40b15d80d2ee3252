"""Captures from files and pipes: plain, gzip or zstd, told by their first bytes and never by their name.

Plain files are mapped, and what was read of them is let go; what is compressed or piped flows through one
page-aligned buffer.  Memory does not grow with the capture.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import mmap
import os
import stat
import sys
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, BinaryIO, cast

from toprung.errors import CaptureError
from toprung.live.pipes import open_file
from toprung.wire.parts import split
from toprung.wire.scan import Scan

GZIP_MAGIC = bytes.fromhex("1f8b")
ZSTD_MAGIC = bytes.fromhex("28b52ffd")
CHUNK = 1 << 20  # octets of the buffer that compressed and piped captures flow through
BEHIND = 1 << 26  # octets of a mapped file that are kept behind the reader
AHEAD = 1 << 22  # octets of it that are mapped at a time before the reader comes
POPULATE_READ = 22  # MADV_POPULATE_READ, madvise(2); not yet in Python's mmap
NEEDED = "a readable capture file is needed"

Progress = Callable[[int], None]


class CaptureFile:
    """One opened capture.  `size`: octets to be read, None where nobody knows beforehand."""

    def __init__(self, label: str, octets: mmap.mmap | Iterator[memoryview]) -> None:
        self.label = label
        self._octets = octets
        self.size = len(octets) if isinstance(octets, mmap.mmap) else None

    def scans(self, parts: int = 1, progress: Progress | None = None) -> list[Scan]:
        """Scans of consecutive parts, for as many threads; one where the capture flows.  Call it once.

        progress: called with the capture offset that a part has reached, once a block, from its thread.
        """
        if not isinstance(self._octets, mmap.mmap):
            return [Scan(self._octets, label=self.label, progress=progress)]
        scans = split(self._octets, parts, label=self.label)
        for scan in scans:
            scan.progress = _Window(self._octets, progress)
        return scans


class _Window:
    """Progress of one part, which also maps the pages that come next and gives back those that were read."""

    def __init__(self, mapped: mmap.mmap, progress: Progress | None) -> None:
        self._mapped = mapped
        self._progress = progress
        self._first = self._last = -1

    def __call__(self, offset: int) -> None:
        page = offset // mmap.PAGESIZE * mmap.PAGESIZE
        if self._first < 0:
            self._first = self._last = page
        if page - self._first >= BEHIND and hasattr(mmap, "MADV_DONTNEED"):
            self._mapped.madvise(mmap.MADV_DONTNEED, self._first, page - self._first)
            self._first = page
        if page + AHEAD // 2 > self._last:
            self._fetch(max(page, self._last))
        if self._progress is not None:
            self._progress(offset)

    def _fetch(self, begin: int) -> None:
        """Map a stretch at once: cheaper than a fault for every few pages.  Kernels before 5.14 refuse."""
        length = min(AHEAD, len(self._mapped) - begin)
        self._last = begin + AHEAD
        if sys.platform == "linux" and length > 0:
            with suppress(OSError):
                self._mapped.madvise(POPULATE_READ, begin, length)


@contextmanager
def open_capture(path: str | Path) -> Iterator[CaptureFile]:
    """Open a capture; "-" is standard input.

    Raises CaptureError (missing, unreadable, a directory, empty).  What is wrong inside is raised by the
    scan's blocks, under the same label, damaged compression too.
    """
    piped = str(path) == "-"
    label = "standard input" if piped else str(path)
    try:
        file = sys.stdin.buffer if piped else open_file(path)
    except OSError as error:
        raise CaptureError(_reason(error), label, NEEDED) from None
    try:
        yield CaptureFile(label, _octets(file, label))
    finally:
        if not piped:
            file.close()


def _octets(file: BinaryIO, label: str) -> mmap.mmap | Iterator[memoryview]:
    """The file's mapping where it is plain, else its contents as they flow."""
    try:
        head = file.read(4)
        if not head:
            raise CaptureError("it is empty", label, NEEDED)
        compressed = head.startswith((GZIP_MAGIC, ZSTD_MAGIC))
        if not compressed and stat.S_ISREG(os.fstat(file.fileno()).st_mode) and file.tell() == 4:
            return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    except OSError as error:
        raise CaptureError(_reason(error), label, NEEDED) from None
    return _flow(_reader(head, _Rejoined(head, file)), label)


class _Rejoined(io.RawIOBase):
    """A stream whose first octets were read already."""

    def __init__(self, head: bytes, rest: BinaryIO) -> None:
        self._head = head
        self._rest = rest

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        if self._head:
            count = min(len(buffer), len(self._head))
            buffer[:count], self._head = self._head[:count], self._head[count:]
            return count
        return self._rest.readinto(buffer)  # type: ignore[attr-defined, no-any-return]


def _reader(head: bytes, stream: _Rejoined) -> Any:
    """Something with `readinto` that gives the plain capture."""
    if head.startswith(GZIP_MAGIC):
        return gzip.GzipFile(fileobj=io.BufferedReader(stream, CHUNK))
    if head.startswith(ZSTD_MAGIC):
        import zstandard  # here: plain captures need not wait for it

        return zstandard.ZstdDecompressor().stream_reader(cast(IO[bytes], stream), read_across_frames=True)
    return stream


def _flow(reader: Any, label: str) -> Iterator[memoryview]:
    """Chunks in one reused buffer.  An early end of compressed data goes on as EOFError, see `Source`."""
    buffer = memoryview(mmap.mmap(-1, CHUNK))
    done = 0
    read = getattr(reader, "readinto1", reader.readinto)  # what is there, so that a damaged end costs no more
    while True:
        try:
            count = read(buffer)
        except EOFError:
            raise EOFError(f"the compressed capture ends early, after {done} bytes of capture") from None
        except (OSError, zlib.error) as error:
            raise CaptureError(_damage(error, done), label, "copy or compress it again") from None
        except Exception as error:
            if type(error).__name__ != "ZstdError":
                raise
            raise CaptureError(_damage(error, done), label, "copy or compress it again") from None
        if not count:
            return
        done += count
        yield buffer[:count]


def _damage(error: Exception, done: int) -> str:
    return f"it cannot be read or decompressed beyond {done} bytes of capture ({error})"


def _reason(error: OSError) -> str:
    return f"it cannot be opened: {os.strerror(error.errno) if error.errno else error.strerror or error}"


def file_digest(path: str | Path) -> str:
    """The SHA-256 of a file as it lies there, in hexadecimal."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
