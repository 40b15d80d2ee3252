"""Loops from captures: ages and pauses as seen, work as declared, what that means for the vehicle."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from toprung.diagnose.ages import age_on_arrival, clocks_known
from toprung.diagnose.delivery import Delivery, delivery
from toprung.diagnose.scene import Case, Scene
from toprung.forecast.chain import NOTHING, Pace, Span, pace
from toprung.forecast.loops import Leg, LoopForecast, loops_of
from toprung.model.finding import Evidence, Finding
from toprung.model.ladder import State
from toprung.model.picture import Spread
from toprung.model.verdict import Verdict

ENOUGH = 8  # samples: fewer show no habit


def loop_too_slow(scene: Scene, case: Case) -> Verdict | None:
    """The flow is part of a loop that reacts too slowly for its vehicle's top speed."""
    for loop in observed_loops(scene).values():
        if loop.finding is not None and case.flow in loop.path:
            return Verdict(State.BROKEN, loop.finding)
    return None


def observed_loops(scene: Scene) -> dict[str, LoopForecast]:
    """Every declared loop as far as the captures show its flows; its work is taken as declared."""
    return scene.once("loops", lambda: _loops(scene))


def _loops(scene: Scene) -> dict[str, LoopForecast]:
    if not scene.site.loops:
        return {}
    topics = {topic for loop in scene.site.loops for topic in loop.through}
    legs = {case.flow: leg for case in scene.cases if case.flow.topic in topics for leg in _leg(scene, case)}
    return {
        name: replace(loop, finding=_with_evidence(scene, loop, loop.finding) if loop.finding else None)
        for name, loop in loops_of(scene.site, list(legs.values())).items()
    }


def _leg(scene: Scene, case: Case) -> Iterator[Leg]:
    """The flow as it was seen; nothing where its age or its pace was not."""
    found = delivery(scene, case)
    if case.one_machine:
        yield Leg(case.flow, NOTHING, _pace_within(case, found))
        return
    if found is None or found.came is None or not clocks_known(scene, case):
        return
    age, between = age_on_arrival(scene, case, found), found.came.between
    if age is None or between is None or min(age.count, between.count) < ENOUGH:
        return
    yield Leg(case.flow, Span(max(age.p50, 0.0), max(age.most, 0.0)), _pace(between))


def _pace(between: Spread) -> Pace:
    """As usual, and what the longest pause took beyond that."""
    wait = Span(between.p50 / 2, between.p50)
    return Pace(wait, Span(0.0, max(0.0, between.most - between.p50)), "late or lost")


def _pace_within(case: Case, found: Delivery | None) -> Pace | None:
    """Samples that do not leave the machine are not seen: as they went elsewhere, or as declared."""
    best = None if found is None else found.best
    if best is not None and best.between is not None and best.between.count >= ENOUGH:
        return _pace(best.between)
    return pace(1 / case.declared.rate_hz) if case.declared.rate_hz else None


def _with_evidence(scene: Scene, loop: LoopForecast, finding: Finding) -> Finding:
    cases = {case.flow: case for case in scene.cases}
    shown = (evidence for flow in loop.path for evidence in _evidence(scene, cases[flow]))
    return replace(finding, evidence=tuple(shown))


def _evidence(scene: Scene, case: Case) -> Iterator[Evidence]:
    found = delivery(scene, case)
    if case.one_machine or found is None or found.came is None:
        return
    age, between = age_on_arrival(scene, case, found), found.came.between
    if age is not None and between is not None:
        says = (
            f"samples of {case.flow.topic} come up to {1e3 * between.most:.0f} ms apart and "
            f"{1e3 * max(age.most, 0.0):.0f} ms old"
        )
        yield scene.evidence(found.came.tally.first, says)
