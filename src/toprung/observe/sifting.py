"""Records of what has gone taken out of the folds of a scan that goes on; those that stay are not touched.

Rows move up, in their order; whatever points to a row (chains of a writer's records, rows of assemblies,
handles of histograms) is pointed anew, and numbers of GUID prefixes are given anew.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from toprung.observe.records import CallField, SampleField, TalkField
from toprung.observe.shards import Shard
from toprung.observe.tables import LOW, Array, Folds, Table, Writers

Mask = npt.NDArray[np.bool_]
UPPER = np.uint64(32)


class Kept:
    """Which rows of every table stay: masks over the rows in use."""

    def __init__(self, folds: Folds) -> None:
        self.samples, self.talk, self.streams, self.calls = (
            np.ones(table.used, np.bool_) for table in (folds.samples, folds.talk, folds.streams, folds.calls)
        )


def sift(shard: Shard, gone: Mask, kept: Kept) -> None:
    """Forget the GUID prefixes `gone` (by number) with all their records, and the rows that are not kept."""
    folds = shard.folds
    gone[0] = False  # nobody's
    kept.samples &= ~gone[upper(folds.samples, 0)]
    kept.talk &= ~(gone[upper(folds.talk, 0)] | gone[upper(folds.talk, 1)])
    kept.streams &= ~gone[upper(folds.streams, 0)]
    kept.calls &= ~gone[upper(folds.calls, 1)]
    renumbered = _prefixes(shard, gone)
    for table, word, mask in (
        (folds.samples, 0, kept.samples),
        (folds.talk, 0, kept.talk),
        (folds.streams, 0, kept.streams),
        (folds.calls, 1, kept.calls),
    ):
        _move(table, mask)
        _renumber(table, word, int(mask.sum()), renumbered)
    _renumber(folds.talk, 1, int(kept.talk.sum()), renumbered)
    for table, mask in ((folds.samples, kept.samples), (folds.talk, kept.talk)):
        table.keys.refill(int(mask.sum()))
    folds.streams.keys.refill(int(kept.streams.sum()))
    folds.calls.keys.refill(int(kept.calls.sum()))
    _chain(folds.samples, folds.sample_writers, SampleField.NEXT)
    _chain(folds.talk, folds.talk_writers, TalkField.NEXT)
    _assemble(folds)
    handles = [
        folds.samples.record[:, SampleField.BETWEEN],
        folds.samples.record[:, SampleField.AGE_ABOVE],
        folds.samples.record[:, SampleField.AGE_BELOW],
        folds.talk.record[:, TalkField.ANSWERS],
    ]
    _rebin(folds.histograms, folds.binning, handles)
    _rebin(folds.periods, folds.period_binning, [folds.calls.record[:, CallField.PERIODS]])
    shard.notes.sift(renumbered, set(folds.calls.words[: folds.calls.used, 0].tolist()))


def upper(table: Table, word: int) -> Array:
    """The upper halves of a key word of all rows in use: numbers of GUID prefixes."""
    found: Array = (table.words[: table.used, word] >> UPPER).astype(np.int64)
    return found


def _prefixes(shard: Shard, gone: Mask) -> Array:
    """New numbers by old ones, -1: gone."""
    stays = ~gone
    renumbered = np.where(stays, np.cumsum(stays) - 1, -1)
    shard.tables.keep_prefixes(np.flatnonzero(stays))
    return renumbered


def _move(table: Table, mask: Mask) -> None:
    """Close up the rows that stay; what they leave is zero again, as new rows expect it."""
    used, stay = len(mask), np.flatnonzero(mask)
    moved = stay[stay != np.arange(len(stay))]
    if len(stay) == used:
        return
    first = len(stay) - len(moved)
    by_row = [a for name, a in table.arrays.items() if name not in ("heads", "loads", "fresh")]
    for array in (table.words, *by_row):
        array[first : len(stay)] = array[moved]
        array[len(stay) : used] = 0


def _renumber(table: Table, word: int, rows: int, renumbered: Array) -> None:
    words = table.words[:rows, word]
    numbers = renumbered[(words >> UPPER).astype(np.int64)].astype(np.uint64)
    table.words[:rows, word] = numbers << UPPER | words & LOW


def _chain(table: Table, writers: Writers, following: int) -> None:
    """Chain every writer's rows, the newest first, as the kernels do."""
    heads, record = table.arrays["heads"], table.record
    heads[: writers.keys.used] = 0
    guids, first, which = np.unique(table.words[: table.used, 0], return_index=True, return_inverse=True)
    by_age = np.argsort(first)
    place = np.empty(len(guids), np.int64)
    place[by_age] = np.arange(len(guids))
    writers.words[: writers.keys.used] = 0
    writers.words[: len(guids), 0] = guids[by_age]
    writers.keys.refill(len(guids))
    latest: dict[int, int] = {}
    for row, writer in enumerate(place[which].tolist()):
        record[row, following] = latest.get(writer, 0)
        latest[writer] = row + 1
    heads[list(latest)] = list(latest.values())


def _assemble(folds: Folds) -> None:
    """Close up the rows of assemblies that a stream still has."""
    table = folds.assemblies
    column = folds.samples.record[:, SampleField.ASSEMBLY]
    stay = np.sort(column[column > 0]) - 1
    renumbered = np.zeros(table.kernel.used + 1, np.int64)
    renumbered[stay + 1] = np.arange(1, len(stay) + 1)
    column[:] = renumbered[column]
    for array in (table.slots, table.pieces):
        array[: len(stay)] = array[stay]
        array[len(stay) : table.kernel.used] = 0
    table.kernel.used = len(stay)


def _rebin(histograms: Array, kernel: Any, handles: list[Array]) -> None:
    """Close up the histograms that a record still has; a handle is a row plus one."""
    stay = np.sort(np.concatenate([h[h > 0] for h in handles])) - 1
    renumbered = np.zeros(kernel.used + 1, np.int64)
    renumbered[stay + 1] = np.arange(1, len(stay) + 1)
    for column in handles:
        column[:] = renumbered[column]
    histograms[: len(stay)] = histograms[stay]
    histograms[len(stay) : kernel.used] = 0
    kernel.used = len(stay)
