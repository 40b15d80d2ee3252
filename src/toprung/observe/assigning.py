"""Optimal assignment of rows to columns, and how much better it is than any other."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Matrix = npt.NDArray[Any]

MOST_EXACT = 64  # rows or columns up to which a doubtful pair's alternative is worked out exactly


def assign(scores: Matrix) -> dict[int, int]:
    """Row -> column of the assignment with the greatest sum; pairs that score 0 or less are left out.

    scores f8 [rows, columns].
    """
    if not scores.size:
        return {}
    gains = np.maximum(scores, 0.0)
    best = gains.argmax(axis=1)
    wanted = best[gains.max(axis=1) > 0]
    if len(set(wanted.tolist())) == len(wanted):  # everybody gets the best there is: nothing can be better
        return {r: c for r, c in enumerate(best.tolist()) if gains[r, c] > 0}
    # here, since it takes longer to load than a small capture takes to read
    from scipy.optimize import linear_sum_assignment  # type: ignore[import-untyped]

    rows, columns = linear_sum_assignment(gains, maximize=True)
    return {r: c for r, c in zip(rows.tolist(), columns.tolist(), strict=True) if gains[r, c] > 0}


def lead(scores: Matrix, pairs: dict[int, int], row: int, enough: float) -> float:
    """How much less the best assignment without the pair of `row` would score; exact below `enough`."""
    column = pairs[row]
    gains = np.maximum(scores, 0.0)
    own = float(gains[row, column])
    # where every row (or column) has the best there is for it, its second best bounds the loss
    whole, bounds = total(gains, pairs), []
    if whole >= gains.max(axis=1).sum():
        bounds.append(own - float(np.delete(gains[row], column).max(initial=0.0)))
    if whole >= gains.max(axis=0).sum():
        bounds.append(own - float(np.delete(gains[:, column], row).max(initial=0.0)))
    if bounds and (max(bounds) >= enough or max(gains.shape) > MOST_EXACT):
        return max(bounds)
    if max(gains.shape) > MOST_EXACT:
        rest = np.concatenate((np.delete(gains[row], column), np.delete(gains[:, column], row), [0.0]))
        return own - float(rest.max())
    without = gains.copy()
    without[row, column] = 0.0
    return whole - total(without, assign(without))


def total(scores: Matrix, pairs: dict[int, int]) -> float:
    """The sum of an assignment's scores."""
    return float(sum(scores[r, c] for r, c in pairs.items()))
