"""How old a sample is when its reader gets it: crossings, queues, resends, and a slow reader.

Best: nothing else is on the way.  Typical: what half of the samples do not exceed, so that it stands
beside an observed median.  Worst: what fewer than `RARE` of the samples exceed by chance (loss, collisions,
others that send at the same time), and no more than the queues can hold (network calculus).  A library's own
handling, some tens of microseconds on each side, is not counted.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import floor, inf

from toprung.forecast.fragments import rounds_for
from toprung.forecast.queues import greatest_wait, rare_wait, usual_wait
from toprung.forecast.result import Term

RARE = 1e-4  # of the samples may be older than the worst
MOST_ROUNDS = 10_000


@dataclass(frozen=True, slots=True)
class Crossing:
    """What one sample meets on one link.

    `moment_s` is the sum of rate times squared time over all that the sample may have to wait for,
    `greatest_s` the longest of these, `burst_s` what may stand in the queue before it at once, at worst.
    """

    link: str
    serial_s: float  # the sample itself, all its packets; on air to and from the access point
    busy: float = 0.0  # share of the time that the link is taken
    moment_s: float = 0.0
    greatest_s: float = inf
    burst_s: float = 0.0
    sharing_s: float = 0.0  # usually taken by others between its packets
    retry_s: float = 0.0  # rarely exceeded: tries again after collisions
    fixed_s: float = 0.0  # propagation
    hold_mean_s: float = 0.0  # multicast kept for the stations' next beacon
    hold_worst_s: float = 0.0

    @property
    def queued_s(self) -> float:
        """The worst wait in the queue."""
        by_chance = rare_wait(self.busy, self.greatest_s, RARE) + self.sharing_s
        return min(greatest_wait(self.burst_s, self.busy), by_chance)


@dataclass(frozen=True, slots=True)
class Repair:
    """How a reliable writer makes good a sample that did not come whole.

    `kept_s`: after so long its history has let go of the sample; a later one is the answer then.
    """

    loss: float  # of a sample at its first try
    round_s: float  # mean time of one more: until it is noticed, asked for and sent again
    round_worst_s: float
    kept_s: float = inf


@dataclass(frozen=True, slots=True)
class Handling:
    """A reader's machine that is slow to take in discovery's messages: samples wait behind them."""

    machine: str
    message_s: float  # one message
    busy: float  # share of its time
    burst_s: float = 0.0  # all that may come at once


@dataclass(frozen=True, slots=True)
class Latency:
    """Age of a flow's samples on arrival, with the steps that make it; infinite where a queue never empties.

    `lost` is the share of the samples that never come; `way_s` the worst of a packet that nobody keeps for
    a beacon or sends again, as those that clocks are set by.
    """

    best_s: float
    typical_s: float
    worst_s: float
    lost: float = 0.0
    terms: tuple[Term, ...] = ()
    way_s: float = 0.0

    @property
    def limit(self) -> Term | None:
        """The step that takes most, in the worst case."""
        return max(self.terms, key=lambda t: t.worst_s, default=None)


AT_HOME = Latency(0.0, 0.0, 0.0)  # writer and reader on one machine


def latency(
    crossings: Iterable[Crossing],
    *,
    loss: float = 0.0,
    repair: Repair | None = None,
    handling: Handling | None = None,
) -> Latency:
    """The latency of one flow.  `loss`: of whole samples, where nothing repairs them."""
    crossings = tuple(crossings)
    steps = [step for crossing in crossings for step in _on_link(crossing)]
    if repair is not None:
        steps.append(_resends(repair))
    if handling is not None:
        steps.append(_taking_in(handling))
    best = sum(c.serial_s + c.fixed_s for c in crossings)
    kept = tuple(t for t in steps if t.worst_s > 0)
    return Latency(
        best,
        sum(t.typical_s for t in steps),
        sum(t.worst_s for t in steps),
        loss if repair is None else _given_up(repair),
        kept,
        sum(c.serial_s + c.fixed_s + c.retry_s + c.queued_s for c in crossings),
    )


def _on_link(c: Crossing) -> Iterator[Term]:
    yield Term(f"across {c.link}", c.serial_s + c.fixed_s, c.serial_s + c.fixed_s + c.retry_s)
    worst = c.queued_s
    yield Term(f"queue at {c.link}", min(usual_wait(c.busy, c.moment_s) + c.sharing_s, worst), worst)
    yield Term(f"held for a beacon of {c.link}", c.hold_mean_s, c.hold_worst_s)


def _resends(r: Repair) -> Term:
    """More rounds than the history keeps the sample for are never played."""
    if r.loss <= 0:
        return Term("resends", 0.0, 0.0)
    usual, most = rounds_for(0.5, r.loss, 1), rounds_for(1 - RARE, r.loss, 1)
    typical = inf if usual is None else (usual - 1) * r.round_s
    worst = inf if most is None else (most - 1) * r.round_worst_s
    worst = min(worst, max(r.kept_s, r.round_worst_s))
    return Term("resends", min(typical, worst), worst)


def _given_up(r: Repair) -> float:
    """Share of the samples that the history lets go of before they came."""
    tries = 1 + floor(min(r.kept_s / r.round_s, MOST_ROUNDS)) if r.round_s > 0 else MOST_ROUNDS
    return float(r.loss**tries)


def _taking_in(h: Handling) -> Term:
    worst = greatest_wait(h.burst_s, h.busy)
    typical = usual_wait(h.busy, h.busy * h.message_s)
    return Term(f"{h.machine} is busy with discovery", min(typical, worst), worst)
