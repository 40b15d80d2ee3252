"""The greatest size that passes, found by halving."""

from __future__ import annotations

from collections.abc import Callable

from toprung.model.probe import SizeCheck


def greatest(least: int, most: int, passes: Callable[[int], bool | None]) -> SizeCheck | None:
    """Between least and most, both tried first; exact if whatever is smaller than a passing size passes.

    `passes` answers None where nobody can tell; then so does this.
    """
    if most < least:
        return None
    top = passes(most)
    if top is None or top:
        return SizeCheck(most, None, most) if top else None
    bottom = passes(least)
    if not bottom:
        return None if bottom is None else SizeCheck(None, least, most)
    low, high = least, most
    while high - low > 1:
        middle = (low + high) // 2
        through = passes(middle)
        if through is None:
            return None
        low, high = (middle, high) if through else (low, middle)
    return SizeCheck(low, high, most)
