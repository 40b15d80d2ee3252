"""Rung `heard`: has each participant the other's announcement, fresh within its lease?"""

from __future__ import annotations

from toprung.diagnose.hearing import Hearing
from toprung.diagnose.presence import absent, ended
from toprung.diagnose.proof import proof_of_match
from toprung.diagnose.scene import Case, Scene
from toprung.diagnose.unheard import CHECKS, server_absent
from toprung.model.verdict import HELD, UNSEEN, Verdict


def judge_heard(scene: Scene, case: Case) -> Verdict:
    """Whether both participants know of each other, and still do."""
    if (verdict := absent(scene, case)) is not None:
        return verdict
    ways = (Hearing(scene, case, case.writer, case.reader), Hearing(scene, case, case.reader, case.writer))
    proof = proof_of_match(scene, case)
    unserved = (server_absent(way) for way in ways) if proof is None else ()
    if (verdict := next((v for v in unserved if v is not None), None)) is not None:
        return verdict
    if not (case.writer.seen and case.reader.seen):
        return UNSEEN
    if (verdict := ended(scene, case)) is not None:
        return verdict
    if proof is not None:
        return HELD
    for check in CHECKS:
        for way in ways:
            if (verdict := check(way)) is not None:
                return verdict
    return HELD if all(way.is_heard for way in ways) else UNSEEN
