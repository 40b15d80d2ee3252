"""What happens to captures after they are taken."""

from __future__ import annotations

import gzip
import struct
from pathlib import Path


def shift_capture(path: Path, seconds: float) -> None:
    """Move every record's time of a classic little-endian microsecond capture, as a wrong clock would."""
    data = bytearray(path.read_bytes())
    at, shift = 24, round(seconds * 1_000_000)
    while at + 16 <= len(data):
        whole, micro, length = struct.unpack_from("<III", data, at)
        struct.pack_into("<II", data, at, *divmod(whole * 1_000_000 + micro + shift, 1_000_000))
        at += 16 + length
    path.write_bytes(data)


def pack(source: Path, target: Path) -> None:
    """Compress a capture, the same bytes each time."""
    target.write_bytes(gzip.compress(source.read_bytes(), 9, mtime=0))
