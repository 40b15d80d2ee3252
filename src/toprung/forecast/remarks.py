"""What is worth saying of a loop beside its figures: a person who walks up, clocks that disagree."""

from __future__ import annotations

from collections.abc import Iterator
from math import degrees, isfinite

from toprung.forecast.loops import LoopForecast
from toprung.forecast.motion import WALKING_M_PER_S
from toprung.forecast.poses import ASSUMPTION, Agreement, agreements_of
from toprung.forecast.rungs.basis import Basis


def remarks(basis: Basis) -> dict[str, tuple[str, ...]]:
    """Of each loop, in sentences; loops of which there is nothing to say are left out."""
    agreements = agreements_of(basis.site, basis.loops, basis.latencies)
    told = {name: tuple(_of(loop, agreements.get(name))) for name, loop in basis.loops.items()}
    return {name: lines for name, lines in told.items() if lines}


def assumption(basis: Basis) -> Iterator[str]:
    """What the clocks' agreement rests on, where any is told."""
    if any(loop.path for loop in basis.loops.values()):
        yield ASSUMPTION


def _of(loop: LoopForecast, agreement: Agreement | None) -> Iterator[str]:
    if loop.walking_m_per_s is not None:
        person = f"if a person walks towards it ({WALKING_M_PER_S} m/s, ISO 13855)"
        safe = f"safe up to {loop.walking_m_per_s:.2f} m/s" if loop.walking_m_per_s else "no speed is safe"
        yield f"{safe} {person}"
    if agreement is not None and isfinite(agreement.sync_error_s):
        yield _agreement(agreement)


def _agreement(found: Agreement) -> str:
    words = f"clocks set over these links agree within {1e3 * found.sync_error_s:.2g} ms"
    if found.pose is None:
        return words
    turn = "" if found.pose.heading_rad is None else f" and {degrees(found.pose.heading_rad):.2g} degrees"
    return f"{words}: a pose is up to {1e3 * found.pose.along_m:.2g} mm{turn} off at top speed"
