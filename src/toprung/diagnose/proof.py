"""Proof that a flow works: the reader acknowledged the writer's samples, or they came to its door."""

from __future__ import annotations

from dataclasses import dataclass

from toprung.diagnose.scene import Case, Scene
from toprung.model.picture import Dialogue, Endpoint, Guid, Mark, Samples
from toprung.observe.ownership import is_loopback
from toprung.wire.ids import is_builtin


@dataclass(frozen=True, slots=True)
class Proof:
    """How the wire proves a match, and when last."""

    first: Mark
    last: Mark
    acknowledged: bool  # the reader said so; else the samples merely came to the reader's machine


def proof_of_match(scene: Scene, case: Case) -> Proof | None:
    """Whether the reader's participant took the writer's samples; None: the wire does not show it."""
    return scene.once(("proof", case.flow), lambda: _proof(scene, case))


def _proof(scene: Scene, case: Case) -> Proof | None:
    writers = scene.ends_on_topic(case.writer, case)
    if not writers:
        return None
    readers = {e.guid for e in scene.ends_on_topic(case.reader, case)}
    said = [d for d in _user_dialogues(scene, case, writers) if takes(d) and _is_from(d, readers)]
    if said:
        tallies = [d.acknacks for d in said if d.acknacks]
        return Proof(min(t.first for t in tallies), max(t.last for t in tallies), acknowledged=True)
    came = [s for w in writers for s in arrivals(scene, case, w) if not s.multicast]
    if came and readers:
        return Proof(min(s.tally.first for s in came), max(s.tally.last for s in came), acknowledged=False)
    return None


def _user_dialogues(scene: Scene, case: Case, writers: tuple[Endpoint, ...]) -> list[Dialogue]:
    guids = {w.guid for w in writers}
    return [d for d in scene.dialogues(case.writer.lives, case.reader.lives) if d.writer in guids]


def _is_from(dialogue: Dialogue, readers: set[Guid]) -> bool:
    return not readers or dialogue.reader in readers


def takes(dialogue: Dialogue) -> bool:
    """Whether the acknowledgements show that something was received."""
    return dialogue.acknacks is not None and dialogue.acknowledged_below > 1


def arrivals(scene: Scene, case: Case, writer: Endpoint) -> list[Samples]:
    """The writer's samples as the reader's machine has them, towards that machine."""
    views = scene.views_at(case.reader.machine)
    return [
        s
        for s in scene.samples_of(writer)
        if s.view in views and s.outgoing is not True and (s.multicast or _at_reader(scene, case, s))
    ]


def _at_reader(scene: Scene, case: Case, samples: Samples) -> bool:
    """Whether they go to an address of the reader's machine; loopback never leaves a machine."""
    to = samples.destination
    return to in scene.hosts(case.reader.machine) or (case.one_machine and is_loopback(to))


def departures(scene: Scene, case: Case, writer: Endpoint) -> list[Samples]:
    """The writer's samples as its own machine has them, towards the reader's machine."""
    views = scene.views_at(case.writer.machine)
    return [
        s
        for s in scene.samples_of(writer)
        if s.view in views and s.outgoing is not False and (s.multicast or _at_reader(scene, case, s))
    ]


def builtin_dialogues(scene: Scene, writers: tuple[int, ...], readers: tuple[int, ...]) -> list[Dialogue]:
    """Delivery talk about discovery."""
    return [d for d in scene.dialogues(writers, readers) if is_builtin(d.writer.entity)]
