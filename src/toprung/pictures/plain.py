"""Text from captures and files made harmless for a terminal: names on the wire may hold anything."""

from __future__ import annotations

from re import compile as compile_pattern

_OUR_COLOURS = compile_pattern("(\x1b\\[(?:31|33|36|0)m)")
_SUBSTITUTE = "\N{REPLACEMENT CHARACTER}"


def printable(line: str) -> str:
    """The line with every control character and lone surrogate replaced; our own colours stay."""
    parts = _OUR_COLOURS.split(line)
    return "".join(
        part if at % 2 else "".join(c if c.isprintable() else _SUBSTITUTE for c in part)
        for at, part in enumerate(parts)
    )
