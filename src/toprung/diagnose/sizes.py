"""Path faults of size: large datagrams vanish where small ones pass."""

from __future__ import annotations

from toprung.diagnose.pair import ENOUGH
from toprung.diagnose.scene import Case, Scene
from toprung.diagnose.verdict import Verdict, broken
from toprung.model.picture import Crossing


def judge_size(scene: Scene, case: Case) -> Verdict | None:
    """Whether the flow's own size is what does not pass, while smaller datagrams do."""
    size = case.declared.size_bytes
    found = [
        c
        for c in scene.crossings(case.writer.machine, case.reader.machine)
        if not c.multicast and c.smallest_lost_bytes and (size is None or size >= c.smallest_lost_bytes)
    ]
    whole = [c for c in found if not c.fragmented]
    for crossing in whole:
        if 0 < crossing.largest_arrived_bytes < crossing.smallest_lost_bytes and _steady(crossing):
            return _mtu_hole(scene, case, crossing)
    for crossing in (c for c in found if c.fragmented):
        if crossing.arrived == 0 and crossing.sent >= ENOUGH and not _pieces_come(scene, case):
            return _fragments_blocked(scene, case, crossing)
    return None


def _steady(crossing: Crossing) -> bool:
    return crossing.sent - crossing.arrived >= ENOUGH


def _pieces_come(scene: Scene, case: Case) -> bool:
    """Whether the reader's machine gets more than the first fragment of big datagrams."""
    views = scene.views_at(case.reader.machine)
    torn = [s for s in scene.streams_of(case.writer.lives) if s.view in views and s.incomplete]
    return any(s.pieces > s.incomplete.count for s in torn if s.incomplete)


def _mtu_hole(scene: Scene, case: Case, crossing: Crossing) -> Verdict:
    here, there = case.writer.machine, case.reader.machine
    return broken(
        "mtu-hole",
        f"{here} -> {there}",
        f"Datagrams from {here} to {there} above {crossing.largest_arrived_bytes} B vanish although "
        "they are not "
        f"fragmented; the smallest lost one has {crossing.smallest_lost_bytes} B.",
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


def _fragments_blocked(scene: Scene, case: Case, crossing: Crossing) -> Verdict:
    here, there = case.writer.machine, case.reader.machine
    return broken(
        "fragments-blocked",
        f"{here} -> {there}",
        f"Datagrams from {here} to {there} that need IP fragments never arrive whole ({crossing.sent} sent), "
        "while smaller ones do.",
        "Small topics work; every sample larger than the MTU is lost.",
        tuple(
            scene.evidence(m, "this fragmented datagram leaves and does not arrive whole")
            for m in (crossing.first_lost,)
            if m
        ),
        (
            "Let IP fragments pass the firewall or router on the way.",
            "Or cap the middleware's greatest message size at 1,400 B, so that it fragments above UDP.",
        ),
    )
