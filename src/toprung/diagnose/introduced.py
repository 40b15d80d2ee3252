"""Rung `introduced`: have the descriptions of both endpoints crossed, both ways?"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from toprung.diagnose.passage import passage, reachable
from toprung.diagnose.proof import builtin_dialogues, proof_of_match
from toprung.diagnose.scene import Case, End, Scene
from toprung.diagnose.shared_memory import shared_memory
from toprung.diagnose.strays import near_miss
from toprung.model.picture import Dialogue, Endpoint, Locator, Mark, Side
from toprung.model.verdict import HELD, UNSEEN, Verdict, broken
from toprung.wire.ids import EntityId

UNICAST_KINDS = (1, 2)
SETTLED_S = 3.0  # from a participant's first sign to its last: slow starters make endpoints for seconds
ANSWERS = 5  # fewer may all be from before the reader was there
LATE_ANSWER_S = 1.0  # healthy peers answer a discovery heartbeat within some milliseconds
ANNOUNCER = {Side.WRITER: EntityId.PUBLICATIONS_WRITER, Side.READER: EntityId.SUBSCRIPTIONS_WRITER}


def judge_introduced(scene: Scene, case: Case) -> Verdict:
    """Whether each side got the description of the other's endpoint."""
    for check in CHECKS:
        if (verdict := check(scene, case)) is not None:
            return verdict
    if proof_of_match(scene, case):
        return HELD
    return HELD if all(_crossed(scene, case, end) for end in case.ends) else UNSEEN


def _crossed(scene: Scene, case: Case, end: End) -> bool:
    """Whether this end's description came to the other: acknowledged, or in the other machine's capture."""
    stray = near_miss(scene, case, end)
    described = scene.ends_on_topic(end, case) or ((stray,) if stray else ())
    if not described:
        return False
    other = case.other(end)
    announcer = ANNOUNCER[end.side]
    if any(
        d.writer.entity == announcer and d.acknowledged_below > 1
        for d in builtin_dialogues(scene, end.lives, other.lives)
    ):
        return True
    views = scene.views_at(other.machine)
    return any(m.view in views for e in described for m in e.introduced)


def _duplicate_identity(scene: Scene, case: Case) -> Verdict | None:
    for end in case.ends:
        for index in end.lives or _speaking_from(scene, end.machine):
            seen = scene.participant(index)
            homes = scene.homes(index)
            if len(homes) < 2:
                continue
            return broken(
                "duplicate-identity",
                f"{end.name} ({', '.join(sorted(homes))})",
                f"Two participants, on {' and '.join(sorted(homes))}, use one identity "
                f"(GUID prefix {seen.prefix.hex()}).",
                "Others take them for one and mix up their readers and writers.",
                tuple(
                    scene.evidence(mark, f"{seen.prefix.hex()} speaks from {a}")
                    for a, mark in _homes(scene, index)
                ),
                ("Give each its own GUID prefix: do not copy a fixed prefix, or a machine image's host id.",),
            )
    return None


def _speaking_from(scene: Scene, machine: str) -> tuple[int, ...]:
    """Participants that send from the machine's addresses, wherever they are taken to run."""
    hosts = scene.hosts(machine)
    return tuple(i for i, p in enumerate(scene.picture.participants) if set(p.sources) & hosts)


def _homes(scene: Scene, index: int) -> Iterable[tuple[str, Mark]]:
    firsts: dict[str, Mark] = {}
    for stream in scene.streams_of((index,)):
        if tally := stream.discovery or stream.data:
            firsts.setdefault(stream.source, tally.first)
    return firsts.items()


def _security(scene: Scene, case: Case) -> Verdict | None:
    if not (case.writer.seen and case.reader.seen) or proof_of_match(scene, case):
        return None
    one, other = (scene.participant(end.lives[-1]) for end in case.ends)
    if one.secured == other.secured or not (one.described and other.described):
        return None
    strict, open_ = (case.writer, case.reader) if one.secured else (case.reader, case.writer)
    return broken(
        "security-mismatch",
        f"{case.writer.name} <-> {case.reader.name}",
        f"{strict.name} demands DDS security, {open_.name} has none.",
        "They hear each other and refuse to be introduced.",
        tuple(
            scene.evidence(
                p.described,
                f"{end.name} announces itself {'with' if p.secured else 'without'} security tokens",
            )
            for end, p in zip(case.ends, (one, other), strict=True)
            if p.described
        ),
        ("Enable security with the same authorities on both, or switch it off on both.",),
    )


def _unreachable_locator(scene: Scene, case: Case) -> Verdict | None:
    """All addresses that one side announces are out of the other's reach, and nothing direct came there."""
    if case.one_machine:
        return None
    for end in case.ends:
        other = case.other(end)
        verdict = scene.once(
            ("locator", end.name, other.machine),
            lambda end=end, other=other: _locator(scene, end, other),  # type: ignore[misc]
        )
        if verdict is not None and not _works_without(scene, case, end):
            return verdict
    return None


def _locator(scene: Scene, end: End, other: End) -> Verdict | None:
    for index in reversed(end.lives):
        seen = scene.participant(index)
        places = _addresses(seen.metatraffic_unicast) or _addresses(seen.default_unicast)
        if not places or any(reachable(scene, other.machine, p) is not False for p in places):
            continue
        if passage(scene, other.machine, end.machine).arrived_unicast and _direct(scene, end, other):
            continue
        own = ", ".join(sorted(scene.site.machine(end.machine).hosts))
        return broken(
            "unreachable-locator",
            f"{end.name} ({end.machine})",
            f"{end.name} announces only {', '.join(places)}, which {other.machine} cannot reach; it "
            "speaks from "
            f"{', '.join(seen.sources[:2])}.",
            f"{other.machine} hears {end.name} and has nowhere to answer: introductions are never "
            "acknowledged.",
            (
                scene.evidence(
                    seen.described or seen.first_heard, f"announces {', '.join(places)} as its address"
                ),
            ),
            (
                f"Let {end.name} announce {own} (bind it to that interface, or drop the external "
                "address setting).",
                f"Or give {other.machine} a route to {places[0]}.",
            ),
        )
    return None


def _addresses(locators: tuple[Locator, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(x.address for x in locators if x.kind in UNICAST_KINDS))


def _direct(scene: Scene, end: End, other: End) -> bool:
    """Whether the other's participants acknowledged anything of this end's writers."""
    return any(d.acknacks for d in scene.dialogues(end.lives, other.lives))


def _works_without(scene: Scene, case: Case, end: End) -> bool:
    """Whether the flow can live without anybody answering this end.

    A best-effort writer needs no answer, and its introduction counts where it came by multicast in order:
    a reliable reader drops what comes before the first heartbeat, and asks for it in vain.
    """
    if end is not case.writer:
        return proof_of_match(scene, case) is not None
    proof = proof_of_match(scene, case)
    if proof is not None and proof.acknowledged:
        return True
    readers = scene.ends_on_topic(case.reader, case)
    if any(r.qos and r.qos.reliability for r in readers):
        return False
    if not scene.views_at(case.reader.machine):
        return True  # whether the introduction came there in order does not show elsewhere
    if proof is None:
        return False
    writers = scene.ends_on_topic(end, case)
    views = scene.views_at(case.reader.machine)
    if not any(m.view in views for w in writers for m in w.introduced):
        return True  # the capture began after the introductions
    return any(_came_in_order(scene, case, w) for w in writers)


def _came_in_order(scene: Scene, case: Case, writer: Endpoint) -> bool:
    views = scene.views_at(case.reader.machine)
    heartbeats = [
        d.heartbeats.first
        for d in scene.picture.dialogues
        if d.heartbeats
        and d.view in views
        and d.writer.prefix == writer.guid.prefix
        and d.writer.entity == ANNOUNCER[Side.WRITER]
    ]
    latest = [m for m in writer.reintroduced or writer.introduced if m.view in views]
    return bool(heartbeats and latest) and max(latest) > min(heartbeats)


def _endpoint_absent(scene: Scene, case: Case) -> Verdict | None:
    """The participant's list of endpoints is known completely, and the flow's is not in it."""
    for end in case.ends:
        if not end.seen or scene.ends_on_topic(end, case) or proof_of_match(scene, case):
            continue
        have = scene.endpoints_of(end.lives, end.side)
        if near_miss(scene, case, end):
            continue  # a rung higher: the name differs
        upto = _announced_upto(scene, end)
        if not _settled(scene, end):
            continue
        described = [e for e in have if e.topic]
        if upto is None or len(described) < max(upto, len(have)) or not scene.cast.certain(end.name):
            continue  # not all of its endpoints could be read
        mark = min(
            (m for e in have for m in e.introduced), default=scene.participant(end.lives[-1]).first_heard
        )
        listed = ", ".join(sorted({e.topic or "?" for e in have})) or "none"
        return broken(
            "endpoint-absent",
            f"{end.name} ({end.machine})",
            f"{end.name} has no {end.side} on {case.declared.wire_topic}.",
            f"{case.other(end).name} waits for a counterpart that does not exist.",
            (scene.evidence(mark, f"the {end.side}s that {end.name} announces: {listed}"),),
            (
                f"Start the part of {end.name} that {'writes' if end.side is Side.WRITER else 'reads'} "
                f"{case.declared.topic}, or correct the site file if it is not meant to.",
            ),
        )
    return None


def _settled(scene: Scene, end: End) -> bool:
    """Whether the participant has been up long enough to have made all its endpoints."""
    signs: dict[int, list[int]] = {}
    for stream in scene.streams_of(end.lives[-1:]):
        for tally in (stream.discovery, stream.data):
            if tally:
                signs.setdefault(stream.view, []).extend((tally.first.time_ns, tally.last.time_ns))
    return any((max(times) - min(times)) / 1e9 >= SETTLED_S for times in signs.values())


def _announced_upto(scene: Scene, end: End) -> int | None:
    """How many introductions of that side the participant wrote; None where no heartbeat tells."""
    prefixes = {scene.participant(i).prefix for i in end.lives}
    told = [
        d.written_upto
        for d in scene.picture.dialogues
        if d.writer.prefix in prefixes and d.writer.entity == ANNOUNCER[end.side] and d.heartbeats
    ]
    return max(told, default=None)


def _overload(scene: Scene, case: Case) -> Verdict | None:
    """Discovery heartbeats stay unanswered: the machine hears, lives, and does not come to answering."""
    if proof_of_match(scene, case):
        return None
    for end in case.ends:
        other = case.other(end)
        slow = [
            d
            for d in builtin_dialogues(scene, other.lives, end.lives)
            if d.answer and d.answer.count >= ANSWERS and d.answer.p50 > LATE_ANSWER_S and d.heartbeats
        ]
        if not slow:
            continue
        worst: Dialogue = max(slow, key=lambda d: d.answer.p50 if d.answer else 0.0)
        if worst.answer is None or worst.heartbeats is None:
            continue
        return broken(
            "discovery-overload",
            end.machine,
            f"{end.machine} answers discovery after {worst.answer.p50:.1f} s (median), "
            f"{worst.answer.most:.1f} s at worst: it cannot take the discovery traffic.",
            f"Introductions to {end.name} take long or never finish.",
            (scene.evidence(worst.heartbeats.first, f"{other.name} asks for an answer"),),
            (
                f"Spare {end.machine} the traffic of others: a discovery server or a peers list "
                "with the few that it "
                "needs, or a domain of its own.",
            ),
        )
    return None


CHECKS: tuple[Callable[[Scene, Case], Verdict | None], ...] = (
    _duplicate_identity,
    _security,
    _unreachable_locator,
    shared_memory,
    _endpoint_absent,
    _overload,
)
