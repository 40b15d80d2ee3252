"""A block of lines at the foot of a terminal that is drawn over, below lines that stay.

Elsewhere than on a terminal everything stays, so the block is written only when it is told to be.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from typing import TextIO

_COLOUR = re.compile(r"(\x1b\[[0-9;]*m)")
UP_AND_CLEAR = "\x1b[{}F\x1b[J"
SMALLEST = (24, 4)  # columns, rows that are counted on


class Screen:
    """`stream` carries text; `terminal` tells whether it can be drawn over."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream
        self.terminal = stream.isatty() and os.environ.get("TERM") != "dumb"
        self._drawn = 0

    def show(self, lines: Sequence[str], block: Sequence[str], *, changed: bool) -> None:
        """Lines that stay, then the block; off a terminal the block only where it has changed."""
        if not self.terminal:
            text = [*lines, *(block if changed else ())]
            self.stream.write("".join(f"{line}\n" for line in text))
            self.stream.flush()
            return
        columns, rows = self._size()
        fitting = [cut(line, columns) for line in block[: rows - 1]]
        if len(block) > rows - 1:
            fitting[-1] = cut(f"... {len(block) - rows + 2} more lines: the terminal is too low", columns)
        out = UP_AND_CLEAR.format(self._drawn) if self._drawn else ""
        out += "".join(f"{line}\n" for line in (*lines, *fitting))
        self.stream.write(out)
        self.stream.flush()
        self._drawn = len(fitting)

    def clear(self) -> None:
        """Take the block away."""
        if self._drawn:
            self.stream.write(UP_AND_CLEAR.format(self._drawn))
            self._drawn = 0

    def _size(self) -> tuple[int, int]:
        try:
            size = os.get_terminal_size(self.stream.fileno())
        except (OSError, ValueError):
            return 80, 24
        return max(size.columns, SMALLEST[0]), max(size.lines, SMALLEST[1])


def cut(line: str, columns: int) -> str:
    """The line, no wider than the terminal: a wrapped one would be drawn over wrongly."""
    left, out = columns, []
    for part in _COLOUR.split(line):
        if part.startswith("\x1b"):
            out.append(part)
            continue
        out.append(part[:left])
        left -= len(out[-1])
    return "".join(out)
