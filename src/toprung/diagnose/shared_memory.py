"""Shared memory that is not shared: a fault between two participants of one machine."""

from __future__ import annotations

from toprung.diagnose.proof import proof_of_match
from toprung.diagnose.scene import Case, End, Scene
from toprung.model.picture import Participant
from toprung.model.verdict import Verdict, broken
from toprung.wire.ids import is_builtin

SHARED_MEMORY = 16
PLEAS = 6  # heartbeats to somebody who has acknowledged all: a settled writer sends two or three
PLEA_PERIOD_S = 1.5


def shared_memory(scene: Scene, case: Case) -> Verdict | None:
    """Both on one machine, both offer shared memory, and neither gets the other's introductions.

    What goes through memory is in no capture.  But heartbeats of discovery go to all known participants as
    long as one has not acknowledged: the others, who have, keep getting them (docs/wire-notes.md).
    """
    if not case.one_machine or not (case.writer.seen and case.reader.seen) or proof_of_match(scene, case):
        return None
    ends = [scene.participant(end.lives[-1]) for end in case.ends]
    if not all(_offers_memory(p) for p in ends):
        return None
    if not (_strangers(*ends) or all(_pleads_in_vain(scene, end) for end in case.ends)):
        return None
    return broken(
        "shared-memory-split",
        f"{case.writer.name} <-> {case.reader.name}",
        f"{case.writer.name} and {case.reader.name} on {case.writer.machine} take each other for "
        "neighbours in "
        "shared memory, but live in different containers.",
        "Each writes into memory that the other cannot see: introductions and samples vanish "
        "without a trace.",
        tuple(
            scene.evidence(
                p.described, f"{end.name} offers shared memory and speaks from {', '.join(p.sources)}"
            )
            for end, p in zip(case.ends, ends, strict=True)
            if p.described
        ),
        (
            "Share the memory and the process namespace between the containers (one IPC namespace "
            "and /dev/shm).",
            "Or switch the shared-memory transport off for both, so that they use UDP.",
        ),
    )


def _offers_memory(seen: Participant) -> bool:
    return any(x.kind == SHARED_MEMORY for x in seen.default_unicast + seen.metatraffic_unicast)


def _pleads_in_vain(scene: Scene, end: End) -> bool:
    """Whether heartbeats of discovery go on and on to participants elsewhere that acknowledged everything."""
    elsewhere = [i for i, m in scene.machine_of.items() if m != end.machine]
    talk = [d for d in scene.dialogues(end.lives, elsewhere) if is_builtin(d.writer.entity) and d.heartbeats]
    settled = [d for d in talk if d.acknowledged_below > d.written_upto]
    if len(settled) < len(talk):
        return False  # somebody elsewhere does not answer: that explains them
    return any(
        t.count >= PLEAS and (t.last.time_ns - t.first.time_ns) / 1e9 / t.count < PLEA_PERIOD_S
        for d in settled
        for t in (d.heartbeats,)
        if t and d.written_upto
    )


def _strangers(one: Participant, other: Participant) -> bool:
    """Neighbours in shared memory have one network; these speak from different addresses."""
    return bool(one.sources and other.sources) and not set(one.sources) & set(other.sources)
