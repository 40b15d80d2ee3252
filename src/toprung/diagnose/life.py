"""How long a participant lived: whether it left, fell silent, or came and went."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from toprung.diagnose.scene import End, Scene
from toprung.model.picture import Mark, Participant, Samples
from toprung.wire.announcements import DEFAULT_LEASE_NS

SILENCE_S = 3.0  # shorter silences are pauses
STEADY = 5  # samples whose distances show a habit
PERIODS = 5  # silent for so many of its usual sending periods
NEIGHBOURLY_S = 2.0  # who stops within this time of everybody else was stopped together with them


class Fate(Enum):
    """How a participant ended, as far as the captures go."""

    ALIVE = "alive"
    LEFT = "left"
    LOST = "lost"
    LAPSED = "lapsed"
    UNKNOWN = "unknown"  # silent, and so is its machine: the link may be cut as well


@dataclass(frozen=True, slots=True)
class Life:
    """The last life of a declared participant."""

    fate: Fate
    participant: int
    last: Mark
    silent_s: float  # from the last sign of life to the end of that capture


def life_of(scene: Scene, end: End) -> Life | None:
    """What became of the end's participant; None where it was never seen."""
    if not end.lives:
        return None
    return scene.once(("life", end.name), lambda: _life(scene, end))


def _life(scene: Scene, end: End) -> Life:
    index = end.lives[-1]
    seen = scene.participant(index)
    lasts = [(_silence_s(scene, end, last), last) for last in _last_signs(scene, index)]
    silent, last = min(lasts, default=(0.0, seen.last_heard))
    if seen.goodbye is not None:
        silent, last = _silence_s(scene, end, seen.goodbye), seen.goodbye
    return Life(_fate(scene, index, seen, silent, last), index, last, max(silent, 0.0))


def _machine_lives(scene: Scene, index: int, last: Mark) -> bool:
    """Whether the participant's machine outlives it: captured itself, or other programs or its kernel heard
    after the participant's last sign."""
    machine = scene.machine_of.get(index)
    if machine is None:
        return False
    if last.view in scene.views_at(machine):
        return True
    hosts = scene.hosts(machine)
    siblings = scene.last_sign_ns(scene.population(machine) - {index}, last.view) or 0
    reactions = [
        n.tally.last.time_ns for n in scene.picture.notices if n.view == last.view and n.source in hosts
    ]
    return max([siblings, *reactions]) > last.time_ns


def _last_signs(scene: Scene, index: int) -> list[Mark]:
    """The last datagram in each view: views have clocks of their own and are compared by silence only."""
    latest: dict[int, Mark] = {}
    for stream in scene.streams_of((index,)):
        for tally in (stream.discovery, stream.data):
            if tally is not None:
                latest[stream.view] = max(latest.get(stream.view, tally.last), tally.last)
    return list(latest.values())


def _silence_s(scene: Scene, end: End, last: Mark) -> float:
    """From a participant's last sign in a view to the last sign of anybody else there: a capture that runs
    on after everybody was stopped says nothing about one of them."""
    others = set(range(len(scene.picture.participants))) - set(end.lives)
    return ((scene.last_sign_ns(others, last.view) or last.time_ns) - last.time_ns) / 1e9


def _fate(scene: Scene, index: int, seen: Participant, silent_s: float, last: Mark) -> Fate:
    if seen.goodbye is not None and seen.last_heard.time_ns <= seen.goodbye.time_ns + 1_000_000_000:
        return Fate.LEFT if silent_s > NEIGHBOURLY_S else Fate.ALIVE
    pause = _longest_pause_s(scene, index, seen)
    lapses = bool(seen.lease_ns) and pause * 1e9 > (seen.lease_ns or 0)
    if silent_s > max(SILENCE_S, PERIODS * _period_s(scene, index, seen)):
        if lapses and silent_s <= pause:
            return Fate.LAPSED  # it has been silent for as long before, and came back
        return Fate.LOST if _machine_lives(scene, index, last) else Fate.UNKNOWN
    return Fate.LAPSED if lapses else Fate.ALIVE


def _period_s(scene: Scene, index: int, seen: Participant) -> float:
    """How often the participant gives a sign of life: its quickest steady topic.  Without any, it has its
    whole lease to be silent."""
    steady = [s.between.p95 for s in _meant(scene, index) if s.between and s.between.count >= STEADY]
    return min(steady) if steady else (seen.lease_ns or DEFAULT_LEASE_NS) / 1e9 / PERIODS


def _meant(scene: Scene, index: int) -> Iterator[Samples]:
    """Samples where they were sent or where they were meant to arrive; elsewhere a switch may have let some
    pass by chance."""
    for samples in scene.samples_from((index,)):
        machine = scene.cast.view_machine(samples.view)
        here = machine is not None and samples.destination in scene.hosts(machine)
        if samples.multicast or here or machine == scene.machine_of.get(index):
            yield samples


def _longest_pause_s(scene: Scene, index: int, seen: Participant) -> float:
    """The longest time without any sign of life, as far as announcements and samples tell.

    Announcements to everybody count, or where there are none those to each peer; steady samples bridge a
    pause between announcements, since middleware renews a lease with every datagram.
    """
    announced = [a for a in seen.announced if a.period]
    heard = [a for a in announced if a.multicast] or announced
    pauses = [min((a.period.most for a in heard if a.period), default=0.0)]
    pauses += [s.between.most for s in _meant(scene, index) if s.between and s.between.count >= STEADY]
    return min(pauses)
