"""Reading and folding at the same time: one thread reads blocks, another folds copies of them, in order.

Kernels run without the interpreter's lock, so two threads take little more than half the time of one, and
the result is the same.  Worth it only for captures of many blocks; the first ones are folded as they come.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from queue import Queue
from threading import Thread
from types import SimpleNamespace
from typing import Any

from toprung.observe._rows import Rows
from toprung.observe.gaps import Run, listed_runs
from toprung.observe.shards import Shard
from toprung.observe.spreads import Array
from toprung.wire.columns import MESSAGE_COLUMNS, SUBMESSAGE_COLUMNS

FIRST_BLOCKS = 24  # folded by the reading thread; a capture with fewer blocks gets no second thread
AHEAD = 3  # copies of blocks on their way


class Copy:
    """One block's columns, kept while the scan goes on."""

    def __init__(self, block: Any) -> None:
        self._pairs: list[tuple[list[tuple[Array, Array]], str]] = []
        places = []
        for name, columns in (("messages", MESSAGE_COLUMNS), ("submessages", SUBMESSAGE_COLUMNS)):
            rows = getattr(block, name)
            arrays = {c.name: getattr(rows, c.name).copy() for c in columns}
            pairs = [(arrays[c.name], getattr(rows, c.name)) for c in columns]
            self._pairs.append((pairs, f"n_{name}"))
            places.append(SimpleNamespace(**arrays))
        self.rows = Rows(*places)
        self.listed: list[Run] = []

    def take(self, block: Any) -> Copy:
        """Take over a block's rows."""
        counts = []
        for pairs, count in self._pairs:
            n = getattr(block, count)
            counts.append(n)
            for mine, theirs in pairs:
                mine[:n] = theirs[:n]
        self.rows.fill(*counts)
        self.listed = listed_runs(block)  # now: its bytes are overwritten by the next block
        return self


class _Folding:
    """The second thread: folds copies until it gets None.  After a fault it lets the rest go by."""

    def __init__(self, shard: Shard) -> None:
        self.shard = shard
        self.full: Queue[Copy | None] = Queue()
        self.free: Queue[Copy | None] = Queue()
        self.fault: BaseException | None = None
        self._thread = Thread(target=self._run, name="fold", daemon=True)
        for _ in range(AHEAD):
            self.free.put(None)  # a copy is made when the first block shows its size

    def _run(self) -> None:
        while (copy := self.full.get()) is not None:
            try:
                if self.fault is None:
                    self.shard.folds.feed(copy.rows, copy.listed)
            except BaseException as fault:
                self.fault = fault
            self.free.put(copy)

    def hand_over(self, block: Any) -> None:
        """Have a copy of the block folded; waits while AHEAD of them are on their way."""
        copy = self.free.get()
        self.full.put((copy or Copy(block)).take(block))

    @contextmanager
    def running(self) -> Iterator[None]:
        """All that is handed over inside is folded at the end."""
        self._thread.start()
        try:
            yield
        finally:
            self.full.put(None)
            self._thread.join()
        if self.fault is not None:
            raise self.fault


def fold_blocks(shard: Shard, blocks: Iterable[Any], threads: int) -> None:
    """Feed a scan's blocks to a shard, with a second thread where that is allowed and worth it."""
    source = iter(blocks)
    for count, block in enumerate(source, 1):
        shard.feed(block)
        if threads > 1 and count == FIRST_BLOCKS:
            break
    folding = _Folding(shard)
    with folding.running():
        for block in source:
            shard.announce(block)
            folding.hand_over(block)
