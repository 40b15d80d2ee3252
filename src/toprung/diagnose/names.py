"""Near misses among names: what somebody may have meant."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

ALIKE = 0.75  # difflib's ratio; "odom" and "odometry" are alike, "odom" and "scan" are not


def nearest(wanted: str, names: Iterable[str]) -> str | None:
    """The most similar of the names, or None if none is similar.  Letter case and prefixes count little."""
    by_core = {_core(name): name for name in names}
    wanted_core = _core(wanted)
    if wanted_core in by_core:
        return by_core[wanted_core]
    last = {core.rpartition("/")[2]: name for core, name in by_core.items()}
    if (same := last.get(wanted_core.rpartition("/")[2])) is not None:
        return same
    close = get_close_matches(wanted_core, by_core, n=1, cutoff=ALIKE)
    return by_core[close[0]] if close else None


def _core(name: str) -> str:
    return name.casefold().strip("/").replace("_", "").replace("-", "")
