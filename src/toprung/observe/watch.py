"""Captures that are still growing: folded as they come, looked at whenever somebody wants to see.

    watch = Watch([("brain", "usb0")])
    watch.feed(0, chunk)
    picture = watch.picture()

What a watch shows is what `toprung.observe.look.look` shows of the same bytes, as long as no more
participants came and went than are kept apart (`toprung.observe.departed`).  Memory is bounded: tables have
a size, time is binned in ever wider bins, and of the departed a sum remains.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from toprung.model.picture import Picture
from toprung.observe.departed import Rest, is_crowded, retire
from toprung.observe.look import picture_of, uncollected
from toprung.observe.shards import Shard
from toprung.observe.tables import Folds
from toprung.wire.scan import Scan
from toprung.wire.source import Octets


class Watch:
    """`captures`: for each the machine that takes it, where somebody said so, and its label.

    known: the addresses that somebody declared for a machine, as for `look`.
    """

    def __init__(
        self,
        captures: Sequence[tuple[str | None, str]],
        *,
        known: Mapping[str, Collection[str]] | None = None,
    ) -> None:
        self._machines = [machine for machine, _ in captures]
        self._known = known or {}
        self._scans = [Scan((), label=label) for _, label in captures]
        crossing = len(captures) > 1
        self._shards = [
            Shard(view, scan.label, machine, scan.tables, Folds(crossing))
            for view, (machine, scan) in enumerate(zip(self._machines, self._scans, strict=True))
        ]
        if not crossing:
            for scan in self._scans:
                scan.leave_prints()
        self._known_prefixes = [0] * len(captures)
        self.rests = [Rest()] * len(captures)

    def feed(self, view: int, chunk: Octets) -> None:
        """Fold a chunk of a capture, which follows what was fed of it before; the first has its head.

        Raises CaptureError where the capture as a container cannot be read on.
        """
        shard = self._shards[view]
        for block in self._scans[view].feed(chunk):
            shard.feed(block)
        if is_crowded(shard, self._known_prefixes[view]):
            self.rests[view] += retire(shard)
            self._known_prefixes[view] = int(shard.tables.prefix_keys.count)

    def picture(self) -> Picture:
        """What was fed so far; the captures go on."""
        for shard, scan in zip(self._shards, self._scans, strict=True):
            shard.close(scan.summary)
        with uncollected():
            return picture_of(self._shards, self._machines, self._known)

    def end(self) -> Picture:
        """The last picture, with datagrams that never were whole; nothing can be fed afterwards."""
        for shard, scan in zip(self._shards, self._scans, strict=True):
            for block in scan.rest():
                shard.feed(block)
        return self.picture()
