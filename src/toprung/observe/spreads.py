"""Log histograms to quantiles.

A histogram has 16 bins to an octave, so a quantile is within 1/33, 3 %, of the exact one, or within 0.6 us at
the low end.  `least` and `most` are exact.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from toprung.model.picture import Spread
from toprung.observe.records import BINS, FLOOR_BITS, SUB_BITS

Array = npt.NDArray[Any]

QUANTILES = (0.05, 0.50, 0.95)
_BATCH = 256  # histograms at a time: the sums stay small


def _middles() -> npt.NDArray[np.float64]:
    """For every bin the value whose relative distance to both edges is the same, ns."""
    place = np.arange(BINS)
    width = np.exp2((place >> SUB_BITS) + FLOOR_BITS - SUB_BITS, dtype=np.float64)
    low = ((1 << SUB_BITS) + (place & ((1 << SUB_BITS) - 1))) * width
    middles: npt.NDArray[np.float64] = 2 * low * (low + width) / (2 * low + width)
    middles[0] = 1 << (FLOOR_BITS - 1)  # takes everything below as well
    return middles


MIDDLES = _middles()
SIGNED_MIDDLES = np.concatenate((-MIDDLES[::-1], MIDDLES))


def spreads(table: Array, handles: Array, least_ns: Array, most_ns: Array) -> list[Spread | None]:
    """A Spread for each histogram; None where nothing was counted.

    table u4 [histograms, BINS]; handles [n] are rows plus one, 0 for none; least_ns, most_ns [n] exact.
    """
    return _all(handles > 0, lambda rows: (table[handles[rows] - 1], MIDDLES), least_ns, most_ns)


def signed_spreads(
    table: Array, above: Array, below: Array, base_ns: Array, least_ns: Array, most_ns: Array
) -> list[Spread | None]:
    """The same of values binned by their distance above and below `base_ns` [n]."""

    def signed(rows: Array) -> tuple[Array, Array]:
        sides = []
        for handles in (below[rows], above[rows]):
            sides.append(np.where((handles > 0)[:, None], table[np.maximum(handles, 1) - 1], 0))
        return np.concatenate((sides[0][:, ::-1], sides[1]), axis=1), SIGNED_MIDDLES

    return _all((above > 0) | (below > 0), signed, least_ns, most_ns, base_ns)


def _all(
    there: Array,
    take: Callable[[Array], tuple[Array, Array]],
    least_ns: Array,
    most_ns: Array,
    base_ns: Array | None = None,
) -> list[Spread | None]:
    found: list[Spread | None] = [None] * len(there)
    rows = np.flatnonzero(there)
    for start in range(0, len(rows), _BATCH):
        batch = rows[start : start + _BATCH]
        counts, values = take(batch)
        base = np.zeros(len(batch)) if base_ns is None else base_ns[batch]
        for row, spread in zip(
            batch.tolist(), _batch(counts, values, base, least_ns[batch], most_ns[batch]), strict=True
        ):
            found[row] = spread
    return found


def _batch(counts: Array, values: Array, base: Array, least: Array, most: Array) -> list[Spread]:
    used = np.flatnonzero(counts.any(axis=0))
    counts, values = counts[:, used[0] : used[-1] + 1], values[used[0] : used[-1] + 1]
    upto = np.cumsum(counts, axis=1, dtype=np.int64)
    total = upto[:, -1]
    columns = []
    for q in QUANTILES:
        place = (upto >= np.maximum(1, q * total)[:, None]).argmax(axis=1)
        columns.append(np.clip(base + values[place], least, most) / 1e9)
    ends = [(least / 1e9).tolist(), *(c.tolist() for c in columns), (most / 1e9).tolist()]
    return [Spread(*row) for row in zip(total.tolist(), *ends, strict=True)]


def spread_of(values_s: npt.NDArray[np.float64]) -> Spread | None:
    """Exact quantiles of values in seconds; the same convention."""
    if not len(values_s):
        return None
    ordered = np.sort(values_s)
    at = [max(0, int(np.ceil(q * len(ordered))) - 1) for q in QUANTILES]
    p05, p50, p95 = (float(ordered[i]) for i in at)
    return Spread(len(ordered), float(ordered[0]), p05, p50, p95, float(ordered[-1]))
