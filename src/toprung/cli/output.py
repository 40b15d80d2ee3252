"""Where output goes, and what it may be made of there."""

from __future__ import annotations

import os
from typing import TextIO

from toprung.errors import UsageError
from toprung.pictures.text import Style


def style_of(stream: TextIO) -> Style:
    """Symbols beyond ASCII where the stream carries them; colour on a terminal, unless NO_COLOR is set."""
    encoding = (stream.encoding or "ascii").lower().replace("-", "")
    colour = stream.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"
    return Style(wide=encoding.startswith("utf"), colour=colour)


def write_text(path: str, text: str) -> None:
    """Write a file, or say in one line why not."""
    write_bytes(path, text.encode("utf-8", "replace"))


def write_bytes(path: str, content: bytes) -> None:
    """Write a file, or say in one line why not."""
    try:
        with open(path, "wb") as file:
            file.write(content)
    except OSError as error:
        why = (error.strerror or "cannot be written").lower()
        raise UsageError(why, path, "a file that can be written would be right") from None


def check_free(path: str) -> None:
    """Refuse a file that is there already."""
    if os.path.exists(path):
        raise UsageError("the file is there already", path, "another name, or --force, would be right")
