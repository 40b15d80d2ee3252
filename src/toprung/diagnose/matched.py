"""Rung `matched`: do topic, type, partition and requested/offered QoS agree?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from toprung.diagnose.proof import proof_of_match
from toprung.diagnose.scene import Case, Scene
from toprung.diagnose.strays import near_miss
from toprung.model.finding import Evidence
from toprung.model.mismatch import (
    conflicts_in_force,
    partition_mismatch,
    partition_words,
    policy_mismatch,
    policy_word,
)
from toprung.model.picture import Endpoint, Side
from toprung.model.qos import Qos, partitions_meet
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
    offered, requested = meeting.qos
    if partitions_meet(offered.partition, requested.partition):
        return None
    evidence = meeting.evidence(
        f"the writer announces partition {partition_words(offered)}",
        f"the reader announces {partition_words(requested)}",
    )
    return partition_mismatch(meeting.case.flow, offered, requested, evidence)


def _qos(meeting: Meeting) -> Verdict | None:
    if meeting.qos is None or meeting.proven:
        return None  # the reader takes the samples: what is announced is not what is in force
    for conflict in conflicts_in_force(*meeting.qos, both_fast=_both_fast(meeting)):
        evidence = meeting.evidence(
            f"the writer offers {policy_word(conflict)} {conflict.offered}",
            f"the reader requests {conflict.requested}",
        )
        return policy_mismatch(meeting.case.flow, conflict, evidence)
    return None


def _both_fast(meeting: Meeting) -> bool:
    scene = meeting.scene
    return all(scene.participant(e.participant).vendor == FAST for e in (meeting.writer, meeting.reader))


CHECKS: tuple[Callable[[Meeting], Verdict | None], ...] = (_type_name, _type_definition, _partition, _qos)
