"""Captures that somebody drops on the page: streamed to disk, never larger than allowed, never elsewhere."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator
from pathlib import Path, PurePosixPath, PureWindowsPath

from toprung.errors import CaptureError

MOST_BYTES = 8 << 30
LONGEST_NAME = 120


def plain_name(said: str) -> str:
    """The last part of a name as a browser says it, printable and short; only ever shown, never opened."""
    last = PureWindowsPath(PurePosixPath(said).name).name
    kept = "".join(c for c in last if c.isprintable())
    return kept[-LONGEST_NAME:] or "capture"


async def receive(chunks: AsyncIterator[bytes], folder: Path, name: str, most: int = MOST_BYTES) -> Path:
    """Write the chunks to a new file under a name of our own.

    Raises CaptureError beyond `most` bytes or for nothing at all.  Whatever goes wrong, no part is left.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{secrets.token_hex(8)}.capture"
    size = 0
    try:
        with path.open("xb") as file:
            async for chunk in chunks:
                size += len(chunk)
                if size > most:
                    raise CaptureError(
                        f"it is larger than {most / 1e9:.3g} GB", name, "a shorter capture is needed"
                    )
                file.write(chunk)
        if not size:
            raise CaptureError("it is empty", name, "a pcap or pcapng capture is needed")
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return path
