"""How far two capturing machines' clocks are apart, from datagrams that crossed both ways.

RFC 5905, section 8: offset = ((t2 - t1) + (t3 - t4)) / 2, with the least delay of each way (its clock
filter's choice); half of the least round trip bounds the error.  Drift is the slope of a robust line
(Theil 1950, Sen 1968) through the offsets of equal stretches of time.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from toprung.model.picture import ClockPair
from toprung.observe.crossings import Passage, middle

Array = npt.NDArray[Any]

STRETCHES = 16
LEAST_STRETCHES = 5  # with datagrams both ways, to tell a drift
LEAST_SPAN_S = 5.0
RESOLUTION_S = 1e-6  # of most captures


def clocks_of(passages: Iterable[Passage]) -> tuple[ClockPair, ...]:
    """A pair for any two views between which datagrams crossed both ways."""
    ways: dict[tuple[int, int], tuple[Array, Array]] = {}
    for p in passages:
        if np.any(p.arrival >= 0):
            ways[p.sender, p.receiver] = (p.sent_ns, p.delay_ns)
    return tuple(
        clock_pair(one, other, there, ways[other, one])
        for (one, other), there in sorted(ways.items())
        if one < other and (other, one) in ways
    )


def clock_pair(one: int, other: int, there: tuple[Array, Array], back: tuple[Array, Array]) -> ClockPair:
    """`there`, `back`: when the datagrams were sent (sender's clock, ns), and their delays (two clocks, ns).

    offset: the clock of `other` less that of `one`.
    """
    start, width = int(there[0].min()), max(1, int(np.ptp(there[0])) // STRETCHES + 1)
    shift = (int(there[1].min()) - int(back[1].min())) // 2  # brings `back` to the clock of `one`
    least = [_least(there[0], there[1], start, width), _least(back[0] - shift, back[1], start, width)]
    both = np.array([(s, least[0][s], least[1][s]) for s in sorted(least[0].keys() & least[1].keys())])
    if not len(both):
        trip = int(there[1].min() + back[1].min())
        return ClockPair(one, other, shift / 1e9, max(trip / 2e9, RESOLUTION_S), None)
    offsets = (both[:, 1] - both[:, 2]) / 2e9
    trips = (both[:, 1] + both[:, 2]) / 1e9
    best = int(np.argmin(trips))
    return ClockPair(
        one,
        other,
        float(offsets[best]),
        max(float(trips[best]) / 2, RESOLUTION_S),
        _drift_ppm(both[:, 0] * (width / 1e9), offsets),
    )


def _least(sent_ns: Array, delay_ns: Array, start_ns: int, width_ns: int) -> dict[int, int]:
    """The least delay of each stretch."""
    least: dict[int, int] = defaultdict(lambda: 1 << 62)
    for stretch, delay in zip(((sent_ns - start_ns) // width_ns).tolist(), delay_ns.tolist(), strict=True):
        least[stretch] = min(least[stretch], delay)
    return dict(least)


def _drift_ppm(times_s: Array, offsets_s: Array) -> float | None:
    if len(times_s) < LEAST_STRETCHES or np.ptp(times_s) < LEAST_SPAN_S:
        return None
    i, j = np.triu_indices(len(times_s), 1)
    return middle((offsets_s[j] - offsets_s[i]) / (times_s[j] - times_s[i])) * 1e6
