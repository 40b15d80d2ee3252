"""Rung `path`: can the two machines exchange the datagrams that the flow needs?

Each check answers None where its fault does not show; the first that answers names the fault.  Their
order goes from what the site's own addresses say to what only missing reactions can tell.
"""

from __future__ import annotations

from collections.abc import Callable

from toprung.diagnose.addresses import duplicate_address, no_route
from toprung.diagnose.directions import one_direction
from toprung.diagnose.links import link_down, nothing_passes
from toprung.diagnose.pair import Pair
from toprung.diagnose.passage import passage
from toprung.diagnose.proof import proof_of_match
from toprung.diagnose.scene import Case, Scene
from toprung.diagnose.sizes import judge_size
from toprung.model.verdict import HELD, UNSEEN, Verdict

CHECKS: tuple[Callable[[Pair], Verdict | None], ...] = (
    duplicate_address,
    no_route,
    link_down,
    nothing_passes,
    one_direction,
)


def judge_path(scene: Scene, case: Case) -> Verdict:
    """Whether the path between the flow's machines carries what the flow needs."""
    if case.one_machine:
        return HELD
    verdict = scene.once(("path", case.machines), lambda: _judge_pair(scene, *case.machines))
    if verdict.finding is None:
        verdict = judge_size(scene, case) or verdict
    if verdict.finding is None and proof_of_match(scene, case):
        return HELD
    return verdict


def _judge_pair(scene: Scene, one: str, other: str) -> Verdict:
    pair = Pair(scene, passage(scene, one, other), passage(scene, other, one))
    for check in CHECKS:
        verdict = check(pair)
        if verdict is not None:
            return verdict
    return HELD if pair.proven or pair.answered else UNSEEN
