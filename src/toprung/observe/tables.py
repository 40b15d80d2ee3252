"""The folds of one scan, with the arrays that they fill."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from toprung.observe import records
from toprung.observe._assemblies import Assemblies
from toprung.observe._calls import Calls
from toprung.observe._histograms import Histograms
from toprung.observe._keys import Keys
from toprung.observe._prints import Prints
from toprung.observe._rows import Rows
from toprung.observe._samples import Samples
from toprung.observe._streams import Streams
from toprung.observe._talk import Talk
from toprung.observe.gaps import Run
from toprung.observe.records import CallField, SampleField, StreamField, TalkField
from toprung.wire.kernels import as_view
from toprung.wire.memory import blank

Array = npt.NDArray[Any]
LOW = np.uint64(0xFFFFFFFF)
PRINT_COLUMNS = 6  # ns, packet, source, target, port << 8 | flags, size


class Table:
    """Records by key: `words` u8 [limit, 3] are the keys, `arrays["record"]` i8 [limit, columns].

    Everything is allocated at its greatest size; pages that are never touched cost nothing.
    """

    def __init__(self, limit: int, width: int, **more: tuple[tuple[int, ...], str]) -> None:
        self.words = blank((limit, 3), np.uint64)
        self.keys: Any = keys_over(self.words)
        self.arrays: dict[str, Array] = {"record": blank((limit, width), np.int64)}
        for name, (shape, dtype) in more.items():
            self.arrays[name] = blank(shape, dtype)

    @property
    def used(self) -> int:
        """How many records there are."""
        count: int = self.keys.used
        return count

    @property
    def record(self) -> Array:
        """The records in use."""
        return self.arrays["record"][: self.used]

    def halves(self, *which: tuple[int, int]) -> list[list[int]]:
        """Halves of the key words, as columns: (word, 1) the upper 32 bits, (word, 0) the lower."""
        used = self.words[: self.used]
        return [((used[:, w] >> np.uint64(32 * upper)) & LOW).tolist() for w, upper in which]


def keys_over(words: Array) -> Any:
    """A key table over `words` [limit, 3]."""
    return Keys(as_view(words), as_view(blank(2 * len(words), np.int32)))


class Writers:
    """Writers' GUIDs, which chain their records: `heads` of the table they belong to go by their places."""

    def __init__(self, limit: int) -> None:
        self.words = blank((limit, 3), np.uint64)
        self.keys: Any = keys_over(self.words)


def _samples() -> Table:
    n = records.MAX_SAMPLE_STREAMS
    return Table(
        n,
        SampleField.WIDTH,
        heads=((n,), "i4"),
        bits=((n, records.WINDOW // 64, 3), "u8"),
        holes=((n, records.HOLES, 3), "i8"),
    )


class AssemblyTable:
    """Samples in fragments that are being put together, by row; `kernel.used` rows."""

    def __init__(self) -> None:
        n, slots = records.MAX_ASSEMBLIES, records.ASSEMBLY_SLOTS
        self.slots = blank((n, slots, 3), np.int64)
        self.pieces = blank((n, slots, records.ASSEMBLY_FRAGMENTS // 64), np.uint64)
        self.kernel: Any = Assemblies(as_view(self.slots), as_view(self.pieces))


def _talk() -> Table:
    n = records.MAX_DIALOGUES
    return Table(n, TalkField.WIDTH, heads=((n,), "i4"))


def _streams() -> Table:
    loads = (records.MAX_LANES, records.LOAD_BINS, 4)
    return Table(records.MAX_STREAMS, StreamField.WIDTH, loads=(loads, "i8"))


def _calls() -> Table:
    return Table(records.MAX_CALLS, CallField.WIDTH, fresh=((records.MAX_FRESH, 2), "i8"))


class Folds:
    """Everything that is folded from one scan's columns; `crossing`: fingerprints for other views too."""

    def __init__(self, crossing: bool) -> None:
        self.samples, self.talk, self.streams, self.calls = _samples(), _talk(), _streams(), _calls()
        self.lanes = blank((records.MAX_LANES, 3), np.uint64)
        self.lane_keys = keys_over(self.lanes)
        self.prints = blank(records.PRINTS if crossing else 0, np.uint64)
        self.print_columns = blank((len(self.prints), PRINT_COLUMNS), np.int64)
        self.histograms = blank((records.MAX_HISTOGRAMS, records.BINS), np.uint32)
        self.periods = blank((records.MAX_PERIODS, records.BINS), np.uint32)  # of announcements
        self.binning: Any = Histograms(as_view(self.histograms))
        self.period_binning: Any = Histograms(as_view(self.periods))
        self.sample_writers = Writers(records.MAX_SAMPLE_STREAMS)
        self.talk_writers = Writers(records.MAX_DIALOGUES)
        self.assemblies = AssemblyTable()
        self._streams: Any = Streams(
            self.streams.keys, self.lane_keys, self.streams.arrays, records.LOAD_BIN_NS
        )
        self._calls: Any = Calls(self.calls.keys, self.period_binning, self.calls.arrays)
        self._prints: Any = Prints(self.prints, self.print_columns)
        self._samples: Any = Samples(
            self.samples.keys,
            self.sample_writers.keys,
            self.assemblies.kernel,
            self.binning,
            self.samples.arrays,
        )
        talk: Any = Talk(self.talk.keys, self.talk_writers.keys, self.binning, self.talk.arrays)
        self._folds: list[Any] = [self._streams, self._samples, talk]
        self._folds += [self._prints] * crossing

    def feed(self, rows: Rows, listed: Iterable[Run] = ()) -> None:
        """Fold one block; `listed`: the runs in its GAPs' lists."""
        for fold in self._folds:
            fold.feed(rows)
        for row, first, end in listed:
            self._samples.excuse(rows, row, first, end)

    def announcements(self, rows: Rows, captured: memoryview, joined: memoryview) -> list[list[int]]:
        """Fold one block's announcements; [submessage row, place in `calls`] of the new ones.

        The place is -1 for one that comes in DATA_FRAG.
        """
        fresh: list[list[int]] = self.calls.arrays["fresh"][
            : self._calls.feed(rows, captured, joined)
        ].tolist()
        return fresh

    @property
    def loads(self) -> Array:
        """Load over time [lanes, LOAD_BINS, 4]: datagrams and bytes of discovery, then of data."""
        return self.streams.arrays["loads"][: self.lane_keys.used]

    def clock(self) -> tuple[int, int]:
        """Start of the first load bin and width of every one, ns."""
        start_ns, bin_ns = self._streams.clock()
        return start_ns, bin_ns

    def remembered(self) -> tuple[int, int]:
        """Fingerprints in use, and how often their number was halved."""
        used, level = self._prints.state()
        return used, level

    @property
    def refused(self) -> int:
        """Rows that found no room in a table."""
        tables = (self.samples, self.talk, self.streams, self.calls)
        return int(sum(t.keys.refused for t in tables) + self.lane_keys.refused)
