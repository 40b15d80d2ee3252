"""Path faults of size: large datagrams vanish where small ones pass."""

from __future__ import annotations

from toprung.diagnose.delivery import delivery
from toprung.diagnose.pair import ENOUGH
from toprung.diagnose.proof import proof_of_match
from toprung.diagnose.scene import Case, Scene
from toprung.model.picture import Crossing, Mark
from toprung.model.verdict import Verdict, broken

OVERHEAD_BYTES = 200  # DDSI-RTPS headers, inline QoS and a heartbeat may share the sample's datagram


def judge_size(scene: Scene, case: Case) -> Verdict | None:
    """Whether the size of what the flow needs is what does not pass, while smaller datagrams do.

    The flow needs its samples, and before any match the introductions of both sides.
    """
    there, back = (case.writer.machine, case.reader.machine), (case.reader.machine, case.writer.machine)
    ways = (there,) if proof_of_match(scene, case) else (there, back)
    for here, far in ways:
        for crossing in scene.crossings(here, far):
            if crossing.multicast or not _needs(scene, case, crossing):
                continue
            if (verdict := _mtu_hole(scene, here, far, crossing)) is not None:
                return verdict
            if (verdict := _fragments_blocked(scene, here, far, crossing)) is not None:
                return verdict
    return _only_heads(scene, case)


def _needs(scene: Scene, case: Case, crossing: Crossing) -> bool:
    """Whether the flow has datagrams as large as the lost ones.

    The same datagram's fragments cross or do not, whichever the flow: where small ones are lost that are not
    fragmented, larger ones that are have no better chance.
    """
    if crossing.smallest_lost_bytes == 0:
        return False
    if proof_of_match(scene, case) is None:
        return True
    found = delivery(scene, case)
    sent = found.left.payload_bytes if found and found.left else 0
    return max(case.declared.size_bytes or 0, sent) + OVERHEAD_BYTES >= crossing.smallest_lost_bytes


def _only_heads(scene: Scene, case: Case) -> Verdict | None:
    """The reader's own capture has the first fragment of every big datagram and none of the others."""
    views, hosts = scene.views_at(case.reader.machine), scene.hosts(case.reader.machine)
    big = [
        s
        for s in scene.streams_of(case.writer.lives)
        if s.view in views and s.destination in hosts and s.fragmented and s.incomplete
    ]
    torn = sum(s.incomplete.count for s in big if s.incomplete)
    if torn < ENOUGH or any(s.fragmented != s.incomplete or s.pieces > torn for s in big):
        return None
    found = delivery(scene, case)
    if found is None or found.came is None or found.came.whole or not found.came.partial:
        return None
    return _blocked_verdict(scene, case.writer.machine, case.reader.machine, torn, found.came.tally.first)


def _pieces_come(scene: Scene, here: str, far: str) -> bool:
    """Whether the receiving machine gets more than the first fragment of big datagrams."""
    views = scene.views_at(far)
    torn = [s for s in scene.streams_of(scene.population(here)) if s.view in views]
    return any(s.pieces > s.incomplete.count for s in torn if s.incomplete)


def _mtu_hole(scene: Scene, here: str, there: str, crossing: Crossing) -> Verdict | None:
    if crossing.fragmented or crossing.sent - crossing.arrived < ENOUGH:
        return None
    if not 0 < crossing.largest_arrived_bytes < crossing.smallest_lost_bytes:
        return None
    return broken(
        "mtu-hole",
        f"{here} -> {there}",
        f"Datagrams from {here} to {there} above {crossing.largest_arrived_bytes} B vanish although they "
        f"are not fragmented; the smallest lost one has {crossing.smallest_lost_bytes} B.",
        "Small topics work, large ones never arrive.",
        tuple(
            scene.evidence(m, "this large datagram leaves and does not arrive")
            for m in (crossing.first_lost,)
            if m
        ),
        (
            f"Set the MTU of {here}'s interface to what the narrowest link on the way carries, so that IP "
            "fragments in time.",
            "Or cap the middleware's greatest message size below it.",
        ),
    )


def _fragments_blocked(scene: Scene, here: str, there: str, crossing: Crossing) -> Verdict | None:
    if not crossing.fragmented or crossing.arrived or crossing.sent < ENOUGH or crossing.first_lost is None:
        return None
    if _pieces_come(scene, here, there):
        return None
    return _blocked_verdict(scene, here, there, crossing.sent, crossing.first_lost)


def _blocked_verdict(scene: Scene, here: str, there: str, count: int, mark: Mark) -> Verdict:
    return broken(
        "fragments-blocked",
        f"{here} -> {there}",
        f"Datagrams from {here} to {there} that need IP fragments never arrive whole ({count} sent), while "
        "smaller ones do.",
        "Small topics work; every sample larger than the MTU is lost.",
        (scene.evidence(mark, "the first fragmented datagram that does not arrive whole"),),
        (
            "Let IP fragments pass the firewall or router on the way.",
            "Or cap the middleware's greatest message size at 1,400 B, so that it fragments above UDP.",
        ),
    )
