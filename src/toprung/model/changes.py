"""What differs between two looks at one site: one change a flow, on the rung that tells most."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from toprung.model.ladder import RUNGS, Climb, Flow, Ladder, Rung, State


@dataclass(frozen=True, slots=True)
class FlowChange:
    """`before` and `after` are None where the flow was not, or is no longer, in the ladder."""

    flow: Flow
    rung: Rung
    before: State | None
    after: State | None
    cause: str | None = None  # of a rung that is broken now


def flow_changes(before: Ladder, after: Ladder) -> Iterator[FlowChange]:
    """Flows that climb otherwise than before, in the ladder's order; then those that are gone."""
    known = {climb.flow: climb for climb in before.climbs}
    for climb in after.climbs:
        was = known.pop(climb.flow, None)
        if was is None:
            rung = climb.broken_at or _top(climb)
            yield FlowChange(climb.flow, rung, None, _state(climb, rung), climb.cause)
        elif was.states != climb.states or was.cause != climb.cause:
            rung = _telling(was, climb)
            yield FlowChange(climb.flow, rung, _state(was, rung), _state(climb, rung), climb.cause)
    for climb in known.values():
        rung = climb.broken_at or _top(climb)
        yield FlowChange(climb.flow, rung, _state(climb, rung), None)


def _telling(was: Climb, now: Climb) -> Rung:
    """The rung that is broken now; else the highest that is held now and was not; else the lowest changed."""
    if now.broken_at is not None:
        return now.broken_at
    changed = [r for r in RUNGS if _state(was, r) is not _state(now, r)]
    gained = [r for r in changed if _state(now, r) is State.HELD]
    return gained[-1] if gained else changed[0] if changed else _top(now)


def _top(climb: Climb) -> Rung:
    """The highest rung held; the lowest of all where none is."""
    held = [rung for rung in RUNGS if _state(climb, rung) is State.HELD]
    return held[-1] if held else RUNGS[0]


def _state(climb: Climb, rung: Rung) -> State:
    return climb.states[RUNGS.index(rung)]
