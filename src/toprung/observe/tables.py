"""The folds of one scan, with the arrays that they fill."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from toprung.observe import records
from toprung.observe._fold import Keys, Prints, Rows, Samples, Streams, Talk
from toprung.observe.records import SampleField, StreamField, TalkField

Array = npt.NDArray[Any]
PRINT_COLUMNS = 6  # ns, packet, source, target, port << 8 | flags, size


class Table:
    """Records by key: `words` u8 [limit, 3] are the keys, `arrays["record"]` i8 [limit, columns]."""

    def __init__(self, limit: int, width: int, **more: tuple[tuple[int, ...], str]) -> None:
        self.words = np.zeros((limit, 3), np.uint64)
        self.keys = Keys(self.words)
        self.arrays: dict[str, Array] = {"record": np.zeros((limit, width), np.int64)}
        for name, (shape, dtype) in more.items():
            self.arrays[name] = np.zeros(shape, dtype)

    @property
    def record(self) -> Array:
        """The records in use."""
        return self.arrays["record"][: self.keys.length()]

    def key_columns(self, *halves: tuple[int, int]) -> list[Array]:
        """Halves of the key words: (word, 1) is the upper 32 bits, (word, 0) the lower."""
        used = self.words[: self.keys.length()]
        return [
            ((used[:, w] >> np.uint64(32 * upper)) & np.uint64(0xFFFFFFFF)).astype(np.int64)
            for w, upper in halves
        ]


def _samples() -> Table:
    n, w, a = records.MAX_SAMPLE_STREAMS, records.WINDOW // 64, records.MAX_ASSEMBLIES
    return Table(
        n,
        SampleField.WIDTH,
        heads=((n,), "i4"),
        between=((n, records.BINS), "u4"),
        ages=((n, 2, records.BINS), "u4"),
        whole=((n, w), "u8"),
        partial=((n, w), "u8"),
        excused=((n, w), "u8"),
        holes=((n, records.HOLES, 3), "i8"),
        assemblies=((a, records.ASSEMBLY_SLOTS, 2), "i8"),
        pieces=((a, records.ASSEMBLY_SLOTS, records.ASSEMBLY_FRAGMENTS // 64), "u8"),
    )


def _talk() -> Table:
    n = records.MAX_DIALOGUES
    return Table(n, TalkField.WIDTH, heads=((n,), "i4"), answers=((n, records.BINS), "u4"))


def _streams() -> Table:
    loads = (records.MAX_LANES, records.LOAD_BINS, 4)
    return Table(records.MAX_STREAMS, StreamField.WIDTH, loads=(loads, "i8"))


def _keys(limit: int) -> Keys:
    return Keys(np.zeros((limit, 3), np.uint64))


@dataclass(slots=True)
class Folds:
    """Everything that is folded from one scan's columns.  `crossing`: remember fingerprints for other views."""

    crossing: bool
    samples: Table = field(default_factory=_samples)
    talk: Table = field(default_factory=_talk)
    streams: Table = field(default_factory=_streams)
    lanes: Array = field(default_factory=lambda: np.zeros((records.MAX_LANES, 3), np.uint64))
    prints: Array = field(default_factory=lambda: np.zeros(records.PRINTS, np.uint64))
    print_columns: Array = field(default_factory=lambda: np.zeros((records.PRINTS, PRINT_COLUMNS), np.int64))
    lane_keys: Keys = field(init=False)
    folds: tuple[Any, ...] = field(init=False)

    def __post_init__(self) -> None:
        self.lane_keys = Keys(self.lanes)
        sample_writers, talk_writers = _keys(records.MAX_SAMPLE_STREAMS), _keys(records.MAX_DIALOGUES)
        self.folds = (
            Streams(self.streams.keys, self.lane_keys, self.streams.arrays, records.LOAD_BIN_NS),
            Samples(self.samples.keys, sample_writers, self.samples.arrays),
            Talk(self.talk.keys, talk_writers, self.talk.arrays),
            Prints(self.prints, self.print_columns),
        )

    @property
    def loads(self) -> Array:
        """Datagrams and bytes over time [lanes, LOAD_BINS, 4]: discovery count, bytes, data count, bytes."""
        return self.streams.arrays["loads"]

    def clock(self) -> tuple[int, int]:
        """Start of the first load bin and width of every one, ns."""
        start_ns, bin_ns = self.folds[0].clock()
        return start_ns, bin_ns

    def remembered(self) -> tuple[int, int]:
        """Fingerprints in use, and how often their number was halved."""
        used, level = self.folds[3].state()
        return used, level

    def refused(self) -> int:
        """Rows that found no room in a table."""
        return (
            sum(t.keys.refused() for t in (self.samples, self.talk, self.streams)) + self.lane_keys.refused()
        )

    def feed(self, rows: Rows) -> None:
        """Fold one block."""
        for fold in self.folds if self.crossing else self.folds[:-1]:
            fold.feed(rows)
