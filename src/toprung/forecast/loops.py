"""A site's loops: from sensing to acting, how long it takes, and what that means for the vehicle's speed.

The same for a forecast and for an observation: they differ in where a flow's latency and pace come from.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite

from toprung.forecast.chain import NOTHING, Chain, Pace, Span, Stage, chain
from toprung.forecast.motion import CAUTION, WALKING_M_PER_S, safe_speed, stopping, watchdog_distance
from toprung.forecast.response import Task, any_order
from toprung.forecast.result import Term
from toprung.model.causes import CAUSES
from toprung.model.figures import LoopFigures
from toprung.model.finding import Finding, Severity
from toprung.model.ladder import Flow
from toprung.model.site import Loop, Role, Site, Vehicle


@dataclass(frozen=True, slots=True)
class Leg:
    """A topic on its way from a writer to a reader.  `pace` None: written whenever data comes."""

    flow: Flow
    latency: Span
    pace: Pace | None


@dataclass(frozen=True, slots=True)
class LoopForecast:
    """One loop.  `terms` add up to the reaction; `path` are its flows in order, empty where none connects.

    `missing`: keys of the site file, or facts, without which some figures are not known.
    """

    loop: Loop
    figures: LoopFigures
    path: tuple[Flow, ...] = ()
    terms: tuple[Term, ...] = ()
    walking_m_per_s: float | None = None  # safe speed if a person walks towards the vehicle
    finding: Finding | None = None
    assumptions: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()


def loops_of(site: Site, legs: Sequence[Leg]) -> dict[str, LoopForecast]:
    """Every loop of the site, from the ways of its topics (one leg for each flow that is known)."""
    works = _Works(site, legs)
    by_topic: dict[str, list[Leg]] = {}
    for leg in legs:
        by_topic.setdefault(leg.flow.topic, []).append(leg)
    return {loop.name: _loop(site, loop, by_topic, works) for loop in site.loops}


class _Works:
    """How long a participant's work for a loop takes, all that it does for other loops in the way."""

    def __init__(self, site: Site, legs: Sequence[Leg]) -> None:
        self._written: dict[tuple[str, str], float] = {}
        self._read: dict[tuple[str, str], float] = {}
        for leg in legs:
            if leg.pace is not None:
                self._written[leg.flow.topic, leg.flow.writer] = leg.pace.wait.worst_s
                self._read[leg.flow.topic, leg.flow.reader] = leg.pace.wait.worst_s
        self._tasks: dict[str, list[tuple[str, Task]]] = {}
        for loop in site.loops:
            for work in loop.work:
                period = self._period(loop, work.participant)
                if period is not None:
                    task = Task(work.time_ns / 1e9, period)
                    self._tasks.setdefault(work.participant, []).append((loop.name, task))

    def _period(self, loop: Loop, participant: str) -> float | None:
        """How often the work comes up: as often as its result is written, or else as it is asked for."""
        for known in (self._written, self._read):
            periods = [known[t, participant] for t in loop.through if (t, participant) in known]
            if periods:
                return min(periods)
        return None

    def response(self, loop: Loop, participant: str) -> Span | None:
        """None: the loop does not declare any work there."""
        own = next((w.time_ns / 1e9 for w in loop.work if w.participant == participant), None)
        if own is None:
            return None
        tasks = self._tasks.get(participant, [])
        mine = next((t for name, t in tasks if name == loop.name), None)
        if mine is None:
            return Span(own, own)
        return Span(own, any_order(mine, [t for name, t in tasks if name != loop.name]))

    def shared(self, loop: Loop) -> list[str]:
        """Participants that work for other loops, too."""
        return [w.participant for w in loop.work if len(self._tasks.get(w.participant, [])) > 1]


def _loop(site: Site, loop: Loop, by_topic: Mapping[str, list[Leg]], works: _Works) -> LoopForecast:
    path = _path(site, loop, by_topic)
    if isinstance(path, str):
        return _with_motion(site, LoopForecast(loop, LoopFigures(), missing=(path,)))
    steps = list(_steps(loop, path, works))
    whole = chain([step.stage for step in steps])
    figures = LoopFigures(
        age_worst_s=_finite(whole.age.worst_s),
        age_typical_s=_finite(whole.age.typical_s),
        reaction_s=_finite(whole.reaction.worst_s),
    )
    found = LoopForecast(
        loop,
        figures,
        path=tuple(leg.flow for leg in path),
        terms=tuple(term for step in steps for term in step.terms),
        assumptions=tuple(_assumptions(loop, path, works)),
    )
    return _with_motion(site, found, _sensed(loop, path, steps), whole)


# -- the way through the topics ---------------------------------------------------------------------------


def _path(site: Site, loop: Loop, by_topic: Mapping[str, list[Leg]]) -> tuple[Leg, ...] | str:
    """The slowest way through the loop's topics; a text where none connects them."""
    slowest: dict[str, tuple[float, tuple[Leg, ...]]] = {}
    for at, topic in enumerate(loop.through):
        legs = by_topic.get(topic, [])
        if at == len(loop.through) - 1:
            legs = _acting(site, legs)
        following: dict[str, tuple[float, tuple[Leg, ...]]] = {}
        for leg in legs:
            before = (0.0, ()) if at == 0 else slowest.get(leg.flow.writer)
            if before is None:
                continue
            taken = before[0] + _taken(leg)
            if taken > following.get(leg.flow.reader, (-1.0, ()))[0]:
                following[leg.flow.reader] = taken, (*before[1], leg)
        if not following:
            return _gap(loop, at, bool(legs))
        slowest = following
    return max(slowest.values(), key=lambda found: found[0])[1]


def _taken(leg: Leg) -> float:
    return leg.latency.worst_s + (leg.pace.total.worst_s if leg.pace else 0.0)


def _acting(site: Site, legs: list[Leg]) -> list[Leg]:
    """Who acts on the last topic: readers on a base where there are any, else every reader."""
    bases = {m.name for m in site.machines if m.role is Role.BASE}
    on_base = {p.name for p in site.participants if p.machine in bases}
    return [leg for leg in legs if leg.flow.reader in on_base] or legs


def _gap(loop: Loop, at: int, flows: bool) -> str:
    topic = loop.through[at]
    if at and flows:
        return f"loops.{loop.name}: nobody reads {loop.through[at - 1]} and writes {topic}"
    return f"loops.{loop.name}: no known flow of {topic}"


# -- the steps ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Step:
    """One stage of the chain with its terms, in the order in which they follow each other."""

    stage: Stage
    terms: tuple[Term, ...]


def _steps(loop: Loop, path: Sequence[Leg], works: _Works) -> Iterator[_Step]:
    """One step a topic; the last reader's own work belongs to the last."""
    acts = path[-1].flow.reader
    readers = {leg.flow.reader for leg in path}
    for at, leg in enumerate(path):
        writer, topic = leg.flow.writer, leg.flow.topic
        counted = at > 0 or writer not in readers  # else its work is counted where it reads
        before = works.response(loop, writer) if counted else None
        after = works.response(loop, acts) if at == len(path) - 1 else None
        terms = [
            *_waits(topic, leg.pace),
            *_term(f"{writer} works", before),
            *_term(f"{topic} to {leg.flow.reader}", leg.latency),
            *_term(f"{acts} works", after),
        ]
        response = (before or NOTHING) + leg.latency + (after or NOTHING)
        yield _Step(Stage(leg.pace, response), tuple(terms))


def _waits(topic: str, found: Pace | None) -> Iterator[Term]:
    if found is not None:
        yield from _term(f"wait for {topic}", found.wait)
        yield from _term(f"{topic} {found.why}", found.lost if found.lost.worst_s > 0 else None)


def _term(says: str, span: Span | None) -> Iterator[Term]:
    if span is not None:
        yield Term(says, span.typical_s, span.worst_s)


def _sensed(loop: Loop, path: Sequence[Leg], steps: Sequence[_Step]) -> Chain:
    """The chain from the sensing topic on: what comes before it does not see the obstacle."""
    topics = [leg.flow.topic for leg in path]
    begins = topics.index(loop.sense.topic) if loop.sense and loop.sense.topic in topics else 0
    return chain([step.stage for step in steps[begins:]])


def _assumptions(loop: Loop, path: Sequence[Leg], works: _Works) -> Iterator[str]:
    for leg in path:
        if leg.pace is None:
            yield f"{loop.name}: {leg.flow.writer} writes {leg.flow.topic} as soon as it has what it needs."
    worked = {w.participant for w in loop.work}
    idle = dict.fromkeys(leg.flow.writer for leg in path[1:] if leg.flow.writer not in worked)
    for participant in idle:
        yield f"{loop.name}: {participant} takes no time to work (no work is declared)."
    for participant in works.shared(loop):
        yield f"{loop.name}: {participant} works for one loop at a time, in any order."


# -- the vehicle --------------------------------------------------------------------------------------------


def _with_motion(
    site: Site, found: LoopForecast, sensed: Chain | None = None, whole: Chain | None = None
) -> LoopForecast:
    vehicle = next((v for v in site.vehicles if v.name == found.loop.vehicle), None)
    missing = found.missing + tuple(_missing(found.loop, vehicle))
    if vehicle is None:
        return replace(found, missing=missing)
    figures = replace(found.figures, watchdog_distance_m=watchdog_distance(vehicle))
    if sensed is None or whole is None or vehicle.braking_m_per_s2 is None:
        return replace(found, figures=figures, missing=missing)
    top, braking = vehicle.top_speed_m_per_s, vehicle.braking_m_per_s2
    reaction = sensed.reaction.worst_s
    range_m = found.loop.sense.range_m if found.loop.sense else None
    safe = walking = None
    if range_m is not None:
        margin = vehicle.margin_m or 0.0
        safe = safe_speed(range_m, reaction, braking, margin)
        walking = safe_speed(range_m, reaction, braking, margin, WALKING_M_PER_S)
    figures = replace(
        figures,
        safe_speed_m_per_s=safe,
        stopping_distance_m=None if top is None else _finite(stopping(top, reaction, braking).distance_m),
    )
    judged = replace(found, figures=figures, walking_m_per_s=walking, missing=missing)
    return replace(judged, finding=_too_slow(judged, vehicle, reaction))


def _missing(loop: Loop, vehicle: Vehicle | None) -> Iterator[str]:
    if loop.sense is None or loop.sense.range_m is None:
        yield f"loops.{loop.name}.sense.range"
    if vehicle is None:
        yield f"loops.{loop.name}.vehicle"
        return
    for key, value in (
        ("braking", vehicle.braking_m_per_s2),
        ("top_speed", vehicle.top_speed_m_per_s),
        ("watchdog", vehicle.watchdog_ns),
    ):
        if value is None:
            yield f"vehicles.{vehicle.name}.{key}"


def _too_slow(found: LoopForecast, vehicle: Vehicle, reaction_s: float) -> Finding | None:
    """The finding where the safe speed is below the vehicle's top speed."""
    safe, top, sense = found.figures.safe_speed_m_per_s, vehicle.top_speed_m_per_s, found.loop.sense
    if safe is None or top is None or sense is None or safe >= top:
        return None
    slow = max(found.terms, key=lambda term: term.worst_s)
    reacts = f"reacts within {1e3 * reaction_s:.0f} ms" if isfinite(reaction_s) else "does not keep up"
    distance = found.figures.stopping_distance_m
    needs = "does not stop in time" if distance is None else f"comes to rest after {distance:.2f} m"
    margin = f" less {vehicle.margin_m:g} m margin" if vehicle.margin_m else ""
    rung, _ = CAUSES["loop-too-slow"]
    return Finding(
        "loop-too-slow",
        rung,
        Severity.STOPS,
        found.loop.name,
        f"Loop {found.loop.name} {reacts}: safe are {safe:.2f} m/s, {vehicle.name} drives up to {top:g} m/s.",
        f"At top speed {vehicle.name} {needs}; it senses {sense.range_m:g} m ahead{margin}. {CAUTION}",
        (),
        (
            f"Limit {vehicle.name} to {_floor(safe):.2f} m/s.",
            f"Shorten the longest step: {slow.says}"
            + (f", {1e3 * slow.worst_s:.0f} ms." if isfinite(slow.worst_s) else ", which has no bound."),
        ),
    )


def _floor(speed: float) -> float:
    return int(100 * speed) / 100


def _finite(value: float) -> float | None:
    return value if value < inf else None
