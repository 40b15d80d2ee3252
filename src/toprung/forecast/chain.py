"""Chains of periodic work that do not know of each other: how old data gets, how late a reaction is.

A stage reads the latest that the stage before it made, works, and passes its own on; each runs by its own
clock.  Davare et al., DAC 2007: latency <= sum of (T + R).  Duerr et al., CASES 2019, theorems 5.4 and
5.10, here with a message between any two stages: reaction = sum of (T + R), data age = that without the
last stage's T.  A stage that runs whenever data comes has no T of its own and belongs to the one before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, inf, log

RARE = 1e-4  # so much of the time, more samples in a row are lost than are counted with


@dataclass(frozen=True, slots=True)
class Span:
    """A time, as it usually is and at worst."""

    typical_s: float
    worst_s: float

    def __add__(self, other: Span) -> Span:
        return Span(self.typical_s + other.typical_s, self.worst_s + other.worst_s)


NOTHING = Span(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Pace:
    """How often something new comes: the wait for the next, and how much longer it can be, and why."""

    wait: Span
    lost: Span = NOTHING
    why: str = "lost in a row"

    @property
    def total(self) -> Span:
        return self.wait + self.lost


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage.  `pace` None: it runs whenever data comes."""

    pace: Pace | None
    response: Span  # from reading until the next stage can read


@dataclass(frozen=True, slots=True)
class Chain:
    """What a chain comes to: age of what the last stage passes on, and time from an event to the reaction."""

    age: Span
    reaction: Span


def davare(stages: Sequence[tuple[float, float]]) -> float:
    """The bound of Davare et al. for stages of period and worst response, (T, R): sum of both."""
    return sum(period + response for period, response in stages)


def duerr_reaction(stages: Sequence[tuple[float, float]]) -> float:
    """Theorem 5.4 with messages between stages: T1 + Rn + sum of max(R, T of the next + R)."""
    links = pairwise(stages)
    return stages[0][0] + stages[-1][1] + sum(max(r, following + r) for (_, r), (following, _) in links)


def duerr_age(stages: Sequence[tuple[float, float]]) -> float:
    """Theorem 5.10 with messages between stages: Rn + sum of (T + R) of all but the last."""
    return stages[-1][1] + sum(period + response for period, response in stages[:-1])


def chain(stages: Sequence[Stage]) -> Chain:
    """Both bounds, and their typical counterparts, of stages in the order in which data passes them.

    Typical: half a period's wait wherever one clock meets another.
    """
    age, reaction, before = NOTHING, NOTHING, NOTHING
    for stage in stages:
        if stage.pace is not None:
            age, reaction = age + before, reaction + stage.pace.total
            before = stage.pace.total
        age, reaction = age + stage.response, reaction + stage.response
    return Chain(age, reaction)


def pace(period_s: float, lost: float = 0.0) -> Pace:
    """Samples every so often, of which each is lost with this chance, whatever happened to the last.

    Mean wait: the residual life of a geometric renewal, T (1 + p) / (2 (1 - p)) (Feller, volume 2, XI.4).
    """
    if lost >= 1:
        return Pace(Span(inf, inf))
    wait = Span(period_s / 2, period_s)
    typical = period_s * (1 + lost) / (2 * (1 - lost))
    return Pace(wait, Span(typical - wait.typical_s, losses_in_a_row(lost) * period_s))


def losses_in_a_row(lost: float, rare: float = RARE) -> int:
    """How many in a row are lost at worst: one more happens with a chance of `rare` or less."""
    if lost <= 0:
        return 0
    return max(0, ceil(log(rare) / log(lost) - 1e-12) - 1)
