"""Rung `matched`: do topic, type, partition and requested/offered QoS agree?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from toprung.diagnose.proof import proof_of_match
from toprung.diagnose.scene import Case, Scene
from toprung.diagnose.strays import near_miss
from toprung.model.finding import Evidence
from toprung.model.picture import Endpoint, Side
from toprung.model.qos import Conflict, Qos, conflicts, partitions_meet
from toprung.model.verdict import HELD, UNSEEN, Verdict, broken
from toprung.wire.typeinfo import type_hashes
from toprung.wire.vendors import FAST


@dataclass(frozen=True, slots=True)
class Meeting:
    """One announced writer and one announced reader that the site means to match."""

    scene: Scene
    case: Case
    writer: Endpoint
    reader: Endpoint

    @property
    def qos(self) -> tuple[Qos, Qos] | None:
        if self.writer.qos is None or self.reader.qos is None:
            return None
        return self.writer.qos, self.reader.qos

    def evidence(self, writer_says: str, reader_says: str) -> tuple[Evidence, ...]:
        """The packets that describe the two endpoints, and what they say there."""
        return _introductions(self.scene, self.writer, writer_says) + _introductions(
            self.scene, self.reader, reader_says
        )

    @property
    def proven(self) -> bool:
        proof = proof_of_match(self.scene, self.case)
        return proof is not None and proof.acknowledged


def judge_matched(scene: Scene, case: Case) -> Verdict:
    """Whether the announced endpoints of the flow suit each other."""
    if (verdict := _topic_name(scene, case)) is not None:
        return verdict
    meetings = list(_meetings(scene, case))
    if not meetings:
        return HELD if proof_of_match(scene, case) else UNSEEN
    verdicts = [_judge(meeting) for meeting in meetings]
    return next((v for v in verdicts if v.finding is None), verdicts[-1])


def _meetings(scene: Scene, case: Case) -> Iterator[Meeting]:
    for writer in scene.ends_on_topic(case.writer, case):
        for reader in scene.ends_on_topic(case.reader, case):
            if writer.topic is not None and reader.topic is not None:
                yield Meeting(scene, case, writer, reader)


def _judge(meeting: Meeting) -> Verdict:
    for check in CHECKS:
        if (verdict := check(meeting)) is not None:
            return verdict
    return HELD


def _introductions(scene: Scene, endpoint: Endpoint, says: str) -> tuple[Evidence, ...]:
    return tuple(scene.evidence(mark, says) for mark in sorted(endpoint.introduced)[:1])


# names


def _topic_name(scene: Scene, case: Case) -> Verdict | None:
    """One end lacks the topic and has, on the same side, one of nearly the same name that nobody declared."""
    for end in case.ends:
        stray = near_miss(scene, case, end)
        if stray is None:
            continue
        found = stray.topic
        does = "writes" if end.side is Side.WRITER else "reads"
        return broken(
            "topic-name",
            str(case.flow),
            f'{end.name} {does} "{found}", the site means "{case.declared.wire_topic}".',
            "Topic names must be equal letter by letter: the two never match.",
            _introductions(scene, stray, f'{end.name} announces a {end.side} on "{found}"')
            + tuple(
                e
                for other in scene.ends_on_topic(case.other(end), case)[:1]
                for e in _introductions(scene, other, f'the {other.side} is on "{case.declared.wire_topic}"')
            ),
            (
                f'Rename the topic of {end.name} to "{case.declared.wire_topic}" (mind capitals, '
                "prefixes, slashes).",
            ),
        )
    return None


def _type_name(meeting: Meeting) -> Verdict | None:
    one, other = meeting.writer.type_name, meeting.reader.type_name
    if one == other or one is None or other is None or meeting.proven:
        return None
    if _same_definition(meeting) is True:
        return None  # assignable whatever the name (XTypes 1.3, 7.6.3.4.2)
    meant = meeting.case.declared.type_name
    wrong = meeting.case.reader if one == meant or meant is None else meeting.case.writer
    return broken(
        "type-name",
        str(meeting.case.flow),
        f'{meeting.case.writer.name} writes type "{one}", {meeting.case.reader.name} expects "{other}".',
        "The two never match; no sample is delivered.",
        meeting.evidence(
            f'a writer of type "{one}" is announced', f'a reader of type "{other}" is announced'
        ),
        (f'Build {wrong.name} with the type "{meant or one}" (same package and version on both machines).',),
    )


def _same_definition(meeting: Meeting) -> bool | None:
    """Whether both announce one type definition; None where one of them announces none."""
    if meeting.writer.type_information is None or meeting.reader.type_information is None:
        return None
    one, other = type_hashes(meeting.writer.type_information), type_hashes(meeting.reader.type_information)
    if one is None or other is None:
        return None
    return one.minimal == other.minimal and one.minimal is not None


def _type_definition(meeting: Meeting) -> Verdict | None:
    if meeting.proven or _same_definition(meeting) is not False:
        return None
    if proof_of_match(meeting.scene, meeting.case) is not None:
        return None  # samples go to the reader: its definition is assignable
    return broken(
        "type-definition",
        str(meeting.case.flow),
        f'Both use the type name "{meeting.writer.type_name}", but with different definitions.',
        "The reader refuses the writer; no sample is delivered.",
        meeting.evidence("the writer announces its type here", "the reader announces another"),
        (
            f"Build {meeting.case.writer.name} and {meeting.case.reader.name} from the same "
            "interface definition.",
        ),
    )


# partition and QoS


def _partition(meeting: Meeting) -> Verdict | None:
    if meeting.qos is None or meeting.proven:
        return None
    one, other = (q.partition for q in meeting.qos)
    if partitions_meet(one, other):
        return None
    return broken(
        "partition",
        str(meeting.case.flow),
        f"{meeting.case.writer.name} writes in partition {_listed(one)}, {meeting.case.reader.name} reads in "
        f"{_listed(other)}.",
        "No name is common to both: they never match, and no incompatibility is reported to either.",
        meeting.evidence(
            f"the writer announces partition {_listed(one)}", f"the reader announces {_listed(other)}"
        ),
        ("Give both the same partition, or none.",),
    )


def _listed(partition: tuple[str, ...]) -> str:
    return ", ".join(f'"{name}"' for name in partition) or 'the default one ("")'


EFFECTS = {
    "data-representation": "The reader refuses the writer's encoding; the writer may believe in a "
    "match and send in vain.",
}
REMEDIES = {
    "qos-reliability": "Let {writer} offer reliable, or let {reader} be content with best_effort.",
    "qos-durability": "Let {writer} offer {requested}, or let {reader} request {offered}.",
    "qos-deadline": "Let {writer} promise {requested} or less, or let {reader} accept {offered}.",
    "qos-latency-budget": "Let {writer} offer {requested} or less, or let {reader} accept {offered}.",
    "qos-liveliness": "Let {writer} offer {requested} or stronger, or let {reader} accept {offered}.",
    "qos-ownership": "Set the same ownership on {writer} and {reader}.",
    "qos-destination-order": "Let {writer} offer {requested}, or let {reader} request {offered}.",
    "qos-presentation": "Let {writer} offer {requested}, or let {reader} request {offered}.",
    "data-representation": "Let {writer} write {requested}, or let {reader} accept {offered}.",
}


def _qos(meeting: Meeting) -> Verdict | None:
    if meeting.qos is None:
        return None
    for conflict in conflicts(*meeting.qos):
        if conflict.code in UNCHECKED_BY_FAST and _both_fast(meeting):
            continue
        if meeting.proven:
            continue  # the reader takes the samples: what is announced is not what is in force
        return _conflict_verdict(meeting, conflict)
    return None


# Fast DDS among itself delivers in spite of these conflicts (measured with 2.9.1, docs/wire-notes.md)
UNCHECKED_BY_FAST = frozenset({"data-representation", "qos-latency-budget", "qos-presentation"})


def _both_fast(meeting: Meeting) -> bool:
    scene = meeting.scene
    return all(scene.participant(e.participant).vendor == FAST for e in (meeting.writer, meeting.reader))


def _conflict_verdict(meeting: Meeting, conflict: Conflict) -> Verdict:
    case = meeting.case
    policy = conflict.code.removeprefix("qos-").replace("-", " ")
    words = {
        "writer": case.writer.name,
        "reader": case.reader.name,
        "offered": conflict.offered,
        "requested": conflict.requested,
    }
    return broken(
        conflict.code,
        str(case.flow),
        f"{case.writer.name} offers {policy} {conflict.offered}, {case.reader.name} requests "
        f"{conflict.requested}.",
        EFFECTS.get(conflict.code, "The middleware keeps the two apart; no sample is delivered."),
        meeting.evidence(
            f"the writer offers {policy} {conflict.offered}", f"the reader requests {conflict.requested}"
        ),
        (REMEDIES[conflict.code].format(**words),),
    )


CHECKS: tuple[Callable[[Meeting], Verdict | None], ...] = (_type_name, _type_definition, _partition, _qos)
