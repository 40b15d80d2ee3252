"""Marks a reading of the matrix: right, unseen or wrong, from one point of view.  Pure."""

from __future__ import annotations

from dataclasses import dataclass

from toprung.model.finding import Severity
from toprung.model.ladder import State

RIGHT, UNSEEN, WRONG = "right", "unseen", "wrong"


@dataclass(frozen=True)
class Truth:
    """What is so in one run."""

    causes: tuple[str, ...]  # empty: nothing is wrong
    broken: tuple[str, ...]
    sound: tuple[str, ...]
    primary: str  # the flow whose ends are the viewpoints; "" in healthy runs


@dataclass(frozen=True)
class Cell:
    """What was said from one point of view."""

    mark: str
    said: tuple[str, ...]  # causes named for broken flows
    odd: tuple[str, ...]  # every wrong word, to look into
    stops_wrongly: tuple[str, ...]  # findings of severity `stops` with a cause that is not so


def mark(observed, truth: Truth) -> Cell:
    """One viewpoint's answer beside the truth.

    Wrong: a cause that is not so, a sound flow called broken, or a broken one called held on every rung.
    Right: a true cause for at least one flow between the primary flow's machines.  Else unseen.
    """
    climbs = {str(c.flow): c for c in observed.ladder.climbs}
    odd, said = [], []
    for flow in truth.broken:
        climb = climbs[flow]
        if climb.cause in truth.causes:
            said.append(climb.cause)
        elif climb.broken_at is not None:
            odd.append(f"{flow}: {climb.cause}")
        elif all(s is State.HELD for s in climb.states):
            odd.append(f"{flow}: held")
    for flow in truth.sound:
        if climbs[flow].broken_at is not None:
            odd.append(f"{flow} (sound): {climbs[flow].cause}")
    findings = [f for f in observed.findings if f.severity is not Severity.NOTE]
    if not truth.causes:
        odd += [f"{f.code}: {f.says}" for f in findings]
    stops = [f.code for f in findings if f.severity is Severity.STOPS and f.code not in truth.causes]
    outcome = WRONG if odd else RIGHT if said or not truth.causes else UNSEEN
    return Cell(outcome, tuple(sorted(set(said))), tuple(odd), tuple(sorted(set(stops))))


def nothing_read() -> Cell:
    """A capture without any RTPS: the reading says so and ends."""
    return Cell(UNSEEN, (), (), ())


def settled(causes, broken, touched, flows, counts, blocks: bool, race: bool = False) -> Truth:
    """The truth of a run after its peers' own counts.

    A fault that should block a flow and lets it through (a library that does not look at that policy, or
    another way round) has not broken it; a flow that should be sound and brought nothing is not judged.
    race: which of the flows break is chance; those that are delivered are not judged.
    """
    really = [f for f in broken if not (blocks and delivered(counts[f]))]
    harmless = [] if race else [f for f in broken if f not in really]
    sound = [f for f in flows if f not in broken and f not in touched and came(counts[f])] + harmless
    return Truth(tuple(causes) if really else (), tuple(really), tuple(sound), really[0] if really else "")


def delivered(n: dict[str, int]) -> bool:
    return n["received"] > 0 and n["received"] >= 0.5 * n["sent"]


def came(n: dict[str, int]) -> bool:
    return n["received"] > 0 and n["received"] >= 0.6 * n["sent"] - 3
