"""Delivery: one flow's samples as its two machines saw them."""

from __future__ import annotations

from dataclasses import dataclass

from toprung.diagnose.proof import arrivals, departures
from toprung.diagnose.scene import Case, Scene
from toprung.model.picture import Dialogue, Endpoint, Samples

MANY_PLEAS = 6  # a writer that is answered at all has its answer after one or two
LONG_S = 3.0


@dataclass(frozen=True, slots=True)
class Delivery:
    """What left the writer's machine for the reader's, and what came there.  None: that view has none."""

    writer: Endpoint
    left: Samples | None
    came: Samples | None
    watched_leaving: bool  # the writer's machine was captured
    looked_for: bool  # datagrams of that way were looked for on the reader's machine while it was captured
    talk: tuple[Dialogue, ...]  # of this writer with the reader's participant

    @property
    def written_upto(self) -> int:
        """The greatest sequence number that a heartbeat told of."""
        return max((d.written_upto for d in self.talk), default=0)

    @property
    def ignored(self) -> bool:
        """Whether one reader is asked for acknowledgements again and again and never gives one: the writer
        believes in a match that the reader may have refused."""
        pleas = [d.heartbeats for d in self.talk if d.reader.entity and d.heartbeats and d.acknacks is None]
        return not self.acknowledged and any(
            t.count >= MANY_PLEAS and (t.last.time_ns - t.first.time_ns) / 1e9 >= LONG_S for t in pleas
        )

    @property
    def acknowledged(self) -> bool:
        return any(d.acknowledged_below > 1 for d in self.talk)

    @property
    def best(self) -> Samples | None:
        """The samples nearest to the reader."""
        return self.came or self.left

    @property
    def lost_share(self) -> float | None:
        """The share of the sent samples that did not come whole; None where nothing tells."""
        if self.came is not None:
            told = self.came.whole + self.came.partial + self.came.missing
            return 1 - self.came.whole / told if told else 0.0
        if self.left is not None and self.looked_for:
            return 1.0
        return None


def delivery(scene: Scene, case: Case) -> Delivery | None:
    """The flow's samples; None where its writer is not known."""
    return scene.once(("delivery", case.flow), lambda: _delivery(scene, case))


def _delivery(scene: Scene, case: Case) -> Delivery | None:
    writers = scene.ends_on_topic(case.writer, case)
    if not writers:
        return None
    found = [_of_writer(scene, case, w) for w in writers]
    return max(found, key=lambda d: d.best.tally.last.time_ns if d.best else -1)


def _of_writer(scene: Scene, case: Case, writer: Endpoint) -> Delivery:
    left = _fullest(departures(scene, case, writer))
    return Delivery(
        writer,
        left=left,
        came=_fullest(arrivals(scene, case, writer)),
        watched_leaving=bool(scene.views_at(case.writer.machine)),
        looked_for=left is not None and _looked_for(scene, case, left),
        talk=tuple(
            d for d in scene.dialogues(case.writer.lives, case.reader.lives) if d.writer == writer.guid
        ),
    )


def _looked_for(scene: Scene, case: Case, left: Samples) -> bool:
    """Whether such datagrams were looked for on the reader's machine, while both sides were captured."""
    return any(
        c.sent >= left.whole and c.multicast == left.multicast and c.fragmented == (left.fragments > 1)
        for c in scene.crossings(case.writer.machine, case.reader.machine)
        if c.destination == left.destination
    )


def _fullest(samples: list[Samples]) -> Samples | None:
    """Of several destinations of one machine, the one that got most: one good address is enough."""
    return max(samples, key=lambda s: (s.whole, s.partial), default=None)


BURST_SHARE = 0.35  # samples closer than this share of their mean distance come in a burst
PAUSE_SHARE = 0.75  # a median distance below this share of the mean one: the rest are pauses
MANY = 20  # samples whose quantiles mean something


def held_up(samples: Samples, bearable_s: float) -> bool:
    """Whether samples come in bursts, or evenly but with long pauses: their source stands still at times."""
    between, rate = samples.between, samples.rate_hz
    if between is None or rate is None or between.count < MANY or between.most <= bearable_s:
        return False
    if between.p50 * rate < BURST_SHARE:
        return True
    uneven = between.p05 * rate < BURST_SHARE or between.p50 * rate < PAUSE_SHARE
    return uneven and between.p95 > bearable_s
