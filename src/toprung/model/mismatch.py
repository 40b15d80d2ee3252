"""What is said when a writer and a reader do not suit each other, observed or declared."""

from __future__ import annotations

from toprung.model.finding import Evidence
from toprung.model.ladder import Flow
from toprung.model.qos import Conflict, Qos, conflicts
from toprung.model.verdict import Verdict, broken

# Fast DDS among itself delivers in spite of these conflicts (measured with 2.9.1, docs/wire-notes.md)
UNCHECKED_BY_FAST = frozenset({"data-representation", "qos-latency-budget", "qos-presentation"})

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


def conflicts_in_force(offered: Qos, requested: Qos, *, both_fast: bool) -> tuple[Conflict, ...]:
    """The conflicts that the two libraries act upon."""
    found = conflicts(offered, requested)
    return tuple(c for c in found if not (both_fast and c.code in UNCHECKED_BY_FAST))


def policy_mismatch(flow: Flow, conflict: Conflict, evidence: tuple[Evidence, ...]) -> Verdict:
    """A request/offer conflict."""
    words = {
        "writer": flow.writer,
        "reader": flow.reader,
        "offered": conflict.offered,
        "requested": conflict.requested,
    }
    return broken(
        conflict.code,
        str(flow),
        f"{flow.writer} offers {policy_word(conflict)} {conflict.offered}, {flow.reader} requests "
        f"{conflict.requested}.",
        EFFECTS.get(conflict.code, "The middleware keeps the two apart; no sample is delivered."),
        evidence,
        (REMEDIES[conflict.code].format(**words),),
    )


def policy_word(conflict: Conflict) -> str:
    """The policy's name in a sentence."""
    return conflict.code.removeprefix("qos-").replace("-", " ")


def partition_mismatch(flow: Flow, offered: Qos, requested: Qos, evidence: tuple[Evidence, ...]) -> Verdict:
    """Partitions without a name in common."""
    return broken(
        "partition",
        str(flow),
        f"{flow.writer} writes in partition {partition_words(offered)}, {flow.reader} reads in "
        f"{partition_words(requested)}.",
        "No name is common to both: they never match, and no incompatibility is reported to either.",
        evidence,
        ("Give both the same partition, or none.",),
    )


def partition_words(qos: Qos) -> str:
    """The partitions of one side in a sentence."""
    return ", ".join(f'"{name}"' for name in qos.partition) or 'the default one ("")'
