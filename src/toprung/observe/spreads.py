"""Log histograms to quantiles.

A histogram has 32 bins to an octave, so a quantile is within 1.6 % of the exact one (half a bin's width over
its lower edge), and 0.6 us at the low end.  `least` and `most` are exact.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from toprung.model.picture import Spread
from toprung.observe.records import BINS, FLOOR_BITS, SUB_BITS

Array = npt.NDArray[Any]

QUANTILES = (0.05, 0.50, 0.95)
_BATCH = 256  # histograms at a time: the sums stay small


def _middles() -> npt.NDArray[np.float64]:
    """The middle of every bin, ns."""
    place = np.arange(BINS)
    width = 2.0 ** ((place >> SUB_BITS) + FLOOR_BITS - SUB_BITS)
    middles = ((1 << SUB_BITS) + (place & ((1 << SUB_BITS) - 1)) + 0.5) * width
    middles[0] = 2.0 ** (FLOOR_BITS - 1)  # takes everything below as well
    return middles


MIDDLES = _middles()
SIGNED_MIDDLES = np.concatenate((-MIDDLES[::-1], MIDDLES))


def spreads(
    counts: Array, least_ns: Array, most_ns: Array, *, base_ns: Array | None = None
) -> list[Spread | None]:
    """A Spread for each histogram; None where nothing was counted.

    counts [n, BINS] of non-negative values or, with `base_ns` [n], [n, 2, BINS] of distances above and below it.
    """
    found: list[Spread | None] = []
    for start in range(0, len(counts), _BATCH):
        rows = slice(start, start + _BATCH)
        if base_ns is None:
            found += _batch(counts[rows], MIDDLES, np.zeros(len(counts[rows])), least_ns[rows], most_ns[rows])
        else:
            above, below = counts[rows, 0], counts[rows, 1]
            signed = np.concatenate((below[:, ::-1], above), axis=1)
            found += _batch(signed, SIGNED_MIDDLES, base_ns[rows], least_ns[rows], most_ns[rows])
    return found


def _batch(counts: Array, values: Array, base: Array, least: Array, most: Array) -> list[Spread | None]:
    upto = np.cumsum(counts, axis=1, dtype=np.int64)
    total = upto[:, -1]
    columns = []
    for q in QUANTILES:
        place = (upto >= np.maximum(1, q * total)[:, None]).argmax(axis=1)
        columns.append(np.clip(base + values[place], least, most) / 1e9)
    ends = [(least / 1e9).tolist(), *(c.tolist() for c in columns), (most / 1e9).tolist()]
    return [Spread(n, *row) if n else None for n, *row in zip(total.tolist(), *ends, strict=True)]


def spread_of(values_s: npt.NDArray[np.float64]) -> Spread | None:
    """Exact quantiles of values in seconds; the same convention."""
    if not len(values_s):
        return None
    ordered = np.sort(values_s)
    at = [max(0, int(np.ceil(q * len(ordered))) - 1) for q in QUANTILES]
    p05, p50, p95 = (float(ordered[i]) for i in at)
    return Spread(len(ordered), float(ordered[0]), p05, p50, p95, float(ordered[-1]))
