"""Opening a file that may be a named pipe: one into which nobody writes is told, instead of waited for."""

from __future__ import annotations

import os
import select
import stat
from pathlib import Path
from typing import BinaryIO

PATIENCE_S = 10.0


def open_file(path: str | Path, patience_s: float = PATIENCE_S) -> BinaryIO:
    """The file, for reading.  Raises OSError, TimeoutError where a pipe stays without a writer."""
    if not stat.S_ISFIFO(os.stat(path).st_mode):
        return open(path, "rb")
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)  # otherwise opening would wait for a writer
    waiting = select.poll()
    waiting.register(descriptor, select.POLLIN)
    if not waiting.poll(patience_s * 1e3):
        os.close(descriptor)
        raise TimeoutError(None, f"nobody wrote into this pipe for {patience_s:g} s")
    os.set_blocking(descriptor, True)
    return open(descriptor, "rb")
