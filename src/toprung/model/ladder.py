"""The ladder: six rungs that every flow climbs, and how far each flow got."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Rung(StrEnum):
    """What a flow needs, lowest first; each rung stands on the one before it."""

    PATH = "path"
    HEARD = "heard"
    INTRODUCED = "introduced"
    MATCHED = "matched"
    FLOWING = "flowing"
    TIMELY = "timely"


RUNGS = tuple(Rung)


class State(StrEnum):
    """What is known of one rung of one flow."""

    HELD = "held"
    BROKEN = "broken"
    UNSEEN = "unseen"  # this evidence cannot tell
    UNREACHED = "unreached"  # a lower rung is broken


@dataclass(frozen=True, slots=True)
class Flow:
    """One writer -> one reader on one topic, by the names that the site (or the wire) gives them."""

    topic: str
    writer: str
    reader: str

    def __str__(self) -> str:
        return f"{self.topic} {self.writer} -> {self.reader}"


@dataclass(frozen=True, slots=True)
class Climb:
    """How far one flow got.  `cause` and `findings` belong to the first broken rung, if there is one."""

    flow: Flow
    states: tuple[State, ...]  # one for each of RUNGS
    cause: str | None = None
    findings: tuple[int, ...] = ()  # indices into Ladder.findings

    @property
    def broken_at(self) -> Rung | None:
        """The first broken rung: the flow's diagnosis."""
        return next((r for r, s in zip(RUNGS, self.states, strict=True) if s is State.BROKEN), None)


@dataclass(frozen=True, slots=True)
class Ladder:
    """All flows of a site, as forecast or as observed."""

    climbs: tuple[Climb, ...]
