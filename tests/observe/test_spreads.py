"""Quantiles of log histograms against exact ones (the nearest-rank definition)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.observe.folding import shard_of
from tests.observe.made import block, data
from toprung.observe.records import BINS, FLOOR_BITS
from toprung.observe.spreads import MIDDLES, signed_spreads, spread_of, spreads

FLOOR_NS = 1 << FLOOR_BITS
ONE = np.ones(1, np.int64)


def binned(values):
    """The bins that the kernel chooses, found through one fold's histograms."""
    counts = np.zeros((1, BINS), np.uint32)
    for value in values:
        # the bin whose edges hold the value: edges are powers of two, in 16 equal steps
        octave = max(0, int(value).bit_length() - 1 - FLOOR_BITS)
        place = 0 if value < FLOOR_NS else octave * 16 + (int(value) >> (octave + FLOOR_BITS - 4)) - 16
        counts[0, min(place, BINS - 1)] += 1
    return counts


@settings(max_examples=100)
@given(st.lists(st.integers(FLOOR_NS, 10**12), min_size=1, max_size=200))
def test_quantiles_are_within_three_per_cent(values):
    (found,) = spreads(binned(values), ONE, np.array([min(values)]), np.array([max(values)]))
    exact = spread_of(np.array(values) / 1e9)
    assert (found.count, found.least, found.most) == (exact.count, exact.least, exact.most)
    for name in ("p05", "p50", "p95"):
        assert getattr(found, name) == pytest.approx(getattr(exact, name), rel=1 / 33 + 1e-9, abs=0.6e-6)


@settings(max_examples=100)
@given(st.lists(st.integers(-(10**10), 10**10), min_size=1, max_size=100))
def test_signed_quantiles_are_as_near_to_their_base(values):
    above = binned([v for v in values if v >= 0])
    below = binned([-v for v in values if v < 0])
    table = np.concatenate((above, below))
    (found,) = signed_spreads(table, ONE, 2 * ONE, 0 * ONE, np.array([min(values)]), np.array([max(values)]))
    exact = spread_of(np.array(values) / 1e9)
    for name in ("p05", "p50", "p95"):
        assert getattr(found, name) == pytest.approx(getattr(exact, name), rel=1 / 33 + 1e-9, abs=1.1e-6)


def test_the_kernel_bins_as_these_tests_do():
    values = [0, 5, 1023, 1024, 1087, 1088, 2047, 2048, 10**6, 10**9, 1 << 41, (1 << 42) - 1, 1 << 60]
    times = np.cumsum([0, *values]).tolist()
    folds = shard_of([block(*(({"time_ns": t}, [data(n + 1)]) for n, t in enumerate(times)))]).folds
    np.testing.assert_array_equal(folds.histograms[0], binned(values)[0])


def test_bins_grow():
    assert np.all(np.diff(MIDDLES) > 0)


def test_nothing_counted_is_no_spread():
    none = np.zeros(1, np.int64)
    assert spreads(np.zeros((1, BINS), np.uint32), none, none, none) == [None]
    assert spread_of(np.zeros(0)) is None
