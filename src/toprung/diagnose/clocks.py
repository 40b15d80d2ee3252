"""Which machine's clock is wrong, and by how much."""

from __future__ import annotations

from dataclasses import dataclass

from toprung.diagnose.probes import probed_clocks
from toprung.diagnose.scene import Scene
from toprung.model.picture import Mark, Samples

AGREE_S = 0.05  # clocks nearer than this are taken for equal when the wrong one is looked for


@dataclass(frozen=True, slots=True)
class Clock:
    """How far a machine's clock is ahead of the site's (the clock that most machines agree on)."""

    machine: str
    ahead_s: float
    error_s: float
    marks: tuple[Mark, ...]


def clocks(scene: Scene) -> dict[str, Clock]:
    """The clock of every machine whose clock the captures tell."""
    return scene.once("clocks", lambda: _clocks(scene))


def _clocks(scene: Scene) -> dict[str, Clock]:
    apart = captured_pairs(scene)
    for (one, other), clock in probed_clocks(scene).items():
        if (one, other) not in apart:
            apart[one, other] = (clock.offset_s, clock.error_s)
            apart[other, one] = (-clock.offset_s, clock.error_s)
    if not apart:
        return {}
    machines = sorted({m for pair in apart for m in pair})
    reference = max(machines, key=lambda m: (_agreeing(apart, m), len(scene.population(m)), m))
    known = {reference: Clock(reference, 0.0, 0.0, ())}
    for _ in machines:
        for (one, other), (ahead, error) in apart.items():
            if one in known and other not in known:
                start = known[one]
                known[other] = Clock(other, start.ahead_s + ahead, start.error_s + error, ())
    return known


def captured_pairs(scene: Scene) -> dict[tuple[str, str], tuple[float, float]]:
    """(one, other) -> (other's clock less one's, its error), in both orders, by captures alone."""
    apart: dict[tuple[str, str], tuple[float, float]] = {}
    for pair in scene.picture.clocks:
        one, other = scene.cast.view_machine(pair.one), scene.cast.view_machine(pair.other)
        if one is None or other is None or one == other:
            continue
        apart[one, other] = (pair.offset_s, pair.error_s)
        apart[other, one] = (-pair.offset_s, pair.error_s)
    for (one, other), found in _by_stamps(scene).items():
        apart.setdefault((one, other), found)
    return apart


def _agreeing(apart: dict[tuple[str, str], tuple[float, float]], machine: str) -> int:
    return sum(abs(ahead) <= AGREE_S for (one, _), (ahead, _) in apart.items() if one == machine)


def _by_stamps(scene: Scene) -> dict[tuple[str, str], tuple[float, float]]:
    """Clock differences from source timestamps, where the writer's machine was not captured.

    A sample cannot come before it was written: ages all below zero put the writer's clock ahead.  Ages
    that hardly vary and exceed every answer time between the machines put it behind.
    """
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for samples in scene.picture.samples:
        here = scene.cast.view_machine(samples.view)
        index = scene.index_of.get(samples.writer.prefix)
        there = scene.machine_of.get(index) if index is not None else None
        if here is None or there is None or here == there or samples.age is None or samples.outgoing is True:
            continue
        if samples.age.p95 < -AGREE_S or _steady_and_old(scene, samples, here, there):
            ahead = -samples.age.least
            found[here, there] = (ahead, AGREE_S)
            found[there, here] = (-ahead, AGREE_S)
    return found


def _steady_and_old(scene: Scene, samples: Samples, here: str, there: str) -> bool:
    """Whether samples are old by a steady time, and every answer from there is far quicker.

    The slowest answers count: what seems a quick one may answer an earlier question.
    """
    age = samples.age
    if age is None or age.count < 10 or age.p05 < 0.2 or age.p95 - age.p05 > 0.05 * age.p50:
        return False
    trips = [
        d.answer.most
        for d in scene.dialogues(scene.population(here), scene.population(there))
        if d.answer and d.view == samples.view and d.answer.count >= 3
    ]
    return bool(trips) and max(trips) < age.p05 / 4
