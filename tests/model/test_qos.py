"""Request/offer rules: published tables, and what two live Cyclone DDS endpoints decide.

Sources: DDS 1.4, 2.2.3 (the tables of the policies); CHECKS 2.3 and 2.4, derived from it; Cyclone DDS
11.0.1 (pip `cyclonedds`), asked through its statuses on the loopback interface.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations, product
from typing import Any

import pytest
from cyclonedds.domain import Domain, DomainParticipant
from cyclonedds.idl import IdlStruct
from cyclonedds.idl.types import int32
from cyclonedds.pub import DataWriter, Publisher
from cyclonedds.qos import Policy
from cyclonedds.qos import Qos as CycloneQos
from cyclonedds.sub import DataReader, Subscriber
from cyclonedds.topic import Topic
from hypothesis import given
from hypothesis import strategies as st

from toprung.model.causes import CAUSES
from toprung.model.ladder import Rung
from toprung.model.qos import (
    INFINITE,
    AccessScope,
    DestinationOrder,
    Durability,
    History,
    Liveliness,
    Ownership,
    Qos,
    Reliability,
    Representation,
    conflicts,
    partitions_meet,
    span,
)

MS = 1_000_000
OFFER = Qos(reliability=Reliability.RELIABLE)  # DDS 1.4, 2.2.3: a writer's default; a reader's is Qos()

# CHECKS 2.3: writer offers, reader requests, the policy that keeps them apart
TRUTH = [
    ({"reliability": Reliability.RELIABLE}, {"reliability": Reliability.BEST_EFFORT}, None),
    ({"reliability": Reliability.BEST_EFFORT}, {"reliability": Reliability.RELIABLE}, 11),
    ({"durability": Durability.TRANSIENT_LOCAL}, {"durability": Durability.VOLATILE}, None),
    ({"durability": Durability.VOLATILE}, {"durability": Durability.TRANSIENT_LOCAL}, 2),
    ({"deadline_ns": 50 * MS}, {"deadline_ns": 100 * MS}, None),
    ({"deadline_ns": 100 * MS}, {"deadline_ns": 50 * MS}, 4),
    ({"deadline_ns": INFINITE}, {"deadline_ns": 1000 * MS}, 4),
    (
        {"liveliness": Liveliness.MANUAL_BY_TOPIC, "liveliness_lease_ns": 1000 * MS},
        {"liveliness_lease_ns": 2000 * MS},
        None,
    ),
    ({"liveliness_lease_ns": 2000 * MS}, {"liveliness_lease_ns": 1000 * MS}, 8),
    (
        {"liveliness_lease_ns": 1000 * MS},
        {"liveliness": Liveliness.MANUAL_BY_PARTICIPANT, "liveliness_lease_ns": 1000 * MS},
        8,
    ),
    ({"ownership": Ownership.EXCLUSIVE}, {"ownership": Ownership.SHARED}, 6),
    (
        {"destination_order": DestinationOrder.BY_RECEPTION_TIMESTAMP},
        {"destination_order": DestinationOrder.BY_SOURCE_TIMESTAMP},
        12,
    ),
    ({"access_scope": AccessScope.GROUP}, {"access_scope": AccessScope.TOPIC, "coherent_access": True}, 3),
    ({"latency_budget_ns": 0}, {"latency_budget_ns": 0}, None),
    ({"latency_budget_ns": 10 * MS}, {"latency_budget_ns": 0}, 5),
    ({"history": History.KEEP_LAST}, {"history": History.KEEP_ALL}, None),
    ({"lifespan_ns": 100 * MS}, {}, None),
    ({"representation": (Representation.XCDR2,)}, {"representation": (Representation.XCDR1,)}, 23),
    (
        {"representation": (Representation.XCDR1, Representation.XCDR2)},
        {"representation": (Representation.XCDR2,)},
        23,
    ),
    (
        {"representation": (Representation.XCDR2,)},
        {"representation": (Representation.XCDR1, Representation.XCDR2)},
        None,
    ),
]


@pytest.mark.parametrize(("offers", "requests", "policy"), TRUTH)
def test_published_truth_table(offers: dict[str, Any], requests: dict[str, Any], policy: int | None) -> None:
    found = conflicts(replace(OFFER, **offers), replace(Qos(), **requests))
    assert [c.policy_id for c in found] == ([policy] if policy else [])


# CHECKS 2.4 (partition matching of DDS 1.4, 2.2.3.13); the last four rows: POSIX fnmatch, which it names
PARTITIONS = [
    ((), (), True),
    ((), ("",), True),
    ((), ("*",), True),
    (("A",), (), False),
    (("A",), ("A", "B"), True),
    (("A*",), ("AB",), True),
    (("A?",), ("A",), False),
    (("A*",), ("A*",), False),
    (("fleet/*",), ("fleet/r1",), True),
    (("a",), ("A",), False),
    (("[ab]x",), ("bx",), True),
    (("[!ab]x",), ("bx",), False),
    (("[a-c]?",), ("bz",), True),
    (("a.c",), ("abc",), False),
]


@pytest.mark.parametrize(("one", "other", "meet"), PARTITIONS)
def test_published_partition_table(one: tuple[str, ...], other: tuple[str, ...], meet: bool) -> None:
    assert partitions_meet(one, other) is meet
    assert partitions_meet(other, one) is meet


@given(st.lists(st.text(alphabet="ab*?[]!\\", max_size=5), max_size=4).map(tuple))
def test_a_plain_name_meets_itself_and_the_star(names: tuple[str, ...]) -> None:
    plain = tuple(name for name in names if not set(name) & set("*?["))
    assert partitions_meet(plain, plain)
    assert partitions_meet(plain, ("*",))
    assert partitions_meet(names, ("one", "two")) == partitions_meet(("two", "one"), names)


def test_every_conflict_is_a_cause_of_its_rung_and_says_both_sides() -> None:
    worst = Qos(
        reliability=Reliability.BEST_EFFORT, deadline_ns=INFINITE, latency_budget_ns=MS,
        ownership=Ownership.EXCLUSIVE, representation=(Representation.XML,),
    )  # fmt: skip
    best = Qos(
        Reliability.RELIABLE, Durability.PERSISTENT, 0, 0, Liveliness.MANUAL_BY_TOPIC, 0, Ownership.SHARED, 0,
        DestinationOrder.BY_SOURCE_TIMESTAMP, AccessScope.GROUP, True, True,
    )  # fmt: skip
    found = conflicts(worst, best)
    assert [c.policy_id for c in found] == [2, 3, 4, 5, 6, 8, 11, 12, 23]
    assert all(CAUSES[c.code][0] is Rung.MATCHED for c in found)
    assert all(c.offered and c.requested and c.offered != c.requested for c in found)


def test_spans_carry_their_unit() -> None:
    assert [span(ns) for ns in (0, 5, 1500, 40 * MS, 2500 * MS, INFINITE)] == [
        "0 ns", "5 ns", "1.5 us", "40 ms", "2.5 s", "infinite",
    ]  # fmt: skip


# ---- against live endpoints -------------------------------------------------------------------------

LOOPBACK = """<CycloneDDS><Domain><General><Interfaces><NetworkInterface name="lo" multicast="false"/>
</Interfaces></General></Domain></CycloneDDS>"""
DOMAIN = 177
CYCLONE_INFINITE = (1 << 63) - 1
CYCLONE_REPRESENTATION = 25  # the id that it reports where the standard has 23
# Of several policies that disagree Cyclone reports the first one in this order
CYCLONE_ORDER = (11, 2, 3, 4, 5, 6, 8, 12, 23)


@dataclass
class Bed(IdlStruct, typename="fernhouse::Bed"):
    """A final type, which every data representation can carry."""

    row: int32


def cyclone_ns(ns: int) -> int:
    return CYCLONE_INFINITE if ns >= INFINITE else ns


RELIABILITY = {
    Reliability.BEST_EFFORT: Policy.Reliability.BestEffort,
    Reliability.RELIABLE: Policy.Reliability.Reliable(max_blocking_time=100 * MS),
}
DURABILITY = {
    Durability.VOLATILE: Policy.Durability.Volatile,
    Durability.TRANSIENT_LOCAL: Policy.Durability.TransientLocal,
    Durability.TRANSIENT: Policy.Durability.Transient,
    Durability.PERSISTENT: Policy.Durability.Persistent,
}
LIVELINESS = {
    Liveliness.AUTOMATIC: Policy.Liveliness.Automatic,
    Liveliness.MANUAL_BY_PARTICIPANT: Policy.Liveliness.ManualByParticipant,
    Liveliness.MANUAL_BY_TOPIC: Policy.Liveliness.ManualByTopic,
}
OWNERSHIP = {Ownership.SHARED: Policy.Ownership.Shared, Ownership.EXCLUSIVE: Policy.Ownership.Exclusive}
ORDER = {
    DestinationOrder.BY_RECEPTION_TIMESTAMP: Policy.DestinationOrder.ByReceptionTimestamp,
    DestinationOrder.BY_SOURCE_TIMESTAMP: Policy.DestinationOrder.BySourceTimestamp,
}
SCOPE = {
    AccessScope.INSTANCE: Policy.PresentationAccessScope.Instance,
    AccessScope.TOPIC: Policy.PresentationAccessScope.Topic,
    AccessScope.GROUP: Policy.PresentationAccessScope.Group,
}


def endpoint_qos(q: Qos) -> CycloneQos:
    return CycloneQos(
        RELIABILITY[q.reliability],
        DURABILITY[q.durability],
        Policy.Deadline(cyclone_ns(q.deadline_ns)),
        Policy.LatencyBudget(cyclone_ns(q.latency_budget_ns)),
        LIVELINESS[q.liveliness](cyclone_ns(q.liveliness_lease_ns)),
        OWNERSHIP[q.ownership],
        ORDER[q.destination_order],
        Policy.DataRepresentation(
            use_cdrv0_representation=Representation.XCDR1 in (q.representation or (0,)),
            use_xcdrv2_representation=Representation.XCDR2 in q.representation,
        ),
    )


def group_qos(q: Qos) -> CycloneQos:
    scope = SCOPE[q.access_scope](coherent_access=q.coherent_access, ordered_access=q.ordered_access)
    return CycloneQos(scope, Policy.Partition(list(q.partition)))


@pytest.fixture(scope="module")
def participant() -> Iterator[DomainParticipant]:
    domain = Domain(DOMAIN, LOOPBACK)
    yield DomainParticipant(DOMAIN)
    del domain


def verdicts(
    participant: DomainParticipant, offers: list[Qos], requests: list[Qos]
) -> Iterator[tuple[Qos, Qos, bool, int | None]]:
    """What Cyclone decides for every pair: matched, and the policy that it names.

    Endpoints of one process are matched as they are made: each writer's statuses are read after each reader.
    """
    topic = Topic(participant, f"bed_{random.getrandbits(64):x}", Bed)
    groups: list[Any] = [Publisher(participant, qos=group_qos(q)) for q in offers]
    writers = [DataWriter(g, topic, qos=endpoint_qos(q)) for g, q in zip(groups, offers, strict=True)]
    counts = [(0, 0)] * len(writers)
    readers = []
    for request in requests:
        subscriber = Subscriber(participant, qos=group_qos(request))
        reader = DataReader(subscriber, topic, qos=endpoint_qos(request))
        readers.append((reader, subscriber))
        matched = refused = 0
        for place, (writer, offer) in enumerate(zip(writers, offers, strict=True)):
            status = writer.get_offered_incompatible_qos_status()
            now = (writer.get_publication_matched_status().total_count, status.total_count)
            gained, lost = now[0] - counts[place][0], now[1] - counts[place][1]
            counts[place] = now
            matched, refused = matched + gained, refused + lost
            assert (gained, lost) in {(1, 0), (0, 1), (0, 0)}
            yield offer, request, bool(gained), status.last_policy_id if lost else None
        assert reader.get_subscription_matched_status().total_count == matched
        assert reader.get_requested_incompatible_qos_status().total_count == refused


def check(participant: DomainParticipant, offers: list[Qos], requests: list[Qos]) -> int:
    """Every pair as `conflicts` and `partitions_meet` have it; returns how many pairs there were."""
    pairs = 0
    for offer, request, matched, policy in verdicts(participant, offers, requests):
        pairs += 1
        ours = {c.policy_id for c in conflicts(offer, request)}
        meet = partitions_meet(offer.partition, request.partition)
        assert matched == (not ours and meet), (offer, request, ours, policy)
        named = 23 if policy == CYCLONE_REPRESENTATION else policy
        if not ours:
            assert named is None  # partitions that do not meet are no QoS conflict
        elif named is not None:
            assert named == next(p for p in CYCLONE_ORDER if p in ours)
        else:
            assert not meet
    return pairs


SPANS = (0, 1, 50 * MS, 100 * MS, 1000 * MS, INFINITE)
TRUTHS = (False, True)
POLICIES: dict[str, list[dict[str, Any]]] = {
    "reliability": [{"reliability": k} for k in Reliability],
    "durability": [{"durability": k} for k in Durability],
    "deadline": [{"deadline_ns": d} for d in SPANS],
    "latency budget": [{"latency_budget_ns": d} for d in SPANS],
    "ownership": [{"ownership": k} for k in Ownership],
    "liveliness": [
        {"liveliness": k, "liveliness_lease_ns": d} for k, d in product(Liveliness, SPANS)
    ],
    "destination order": [{"destination_order": k} for k in DestinationOrder],
    "presentation": [
        {"access_scope": s, "coherent_access": c, "ordered_access": o}
        for s, c, o in product(AccessScope, TRUTHS, TRUTHS)
    ],
    "data representation": [{"representation": r} for r in ((), (0,), (2,), (0, 2))],
    # no "[": Cyclone takes it for a plain letter, where the standard's fnmatch does not
    "partition": [
        {"partition": p}
        for p in (
            (), ("",), ("*",), ("?",), ("A",), ("B",), ("A", "B"), ("A*",), ("A?",), ("AB",), ("a",), ("*B",),
            ("fleet/*",), ("fleet/r1",), ("", "A"), ("x", "A*"), ("A**B",), ("A*?",),
        )
    ],
}  # fmt: skip


def values(policy: str, base: Qos) -> list[Qos]:
    return [replace(base, **value) for value in POLICIES[policy]]


@pytest.mark.parametrize("policy", POLICIES)
def test_every_combination_of_a_policy(participant: DomainParticipant, policy: str) -> None:
    expected = len(POLICIES[policy]) ** 2
    assert check(participant, values(policy, OFFER), values(policy, Qos())) == expected


@pytest.mark.parametrize(("one", "other"), list(combinations(POLICIES, 2)))
def test_every_combination_of_two_policies(participant: DomainParticipant, one: str, other: str) -> None:
    tables = POLICIES[one], POLICIES[other]
    sides = [[replace(base, **a, **b) for a, b in product(*tables)] for base in (OFFER, Qos())]
    assert check(participant, *sides) == (len(tables[0]) * len(tables[1])) ** 2


def test_any_mixture_of_all_policies(participant: DomainParticipant) -> None:
    draw = random.Random(20)
    sides = [
        [
            replace(base, **{k: v for table in POLICIES.values() for k, v in draw.choice(table).items()})
            for _ in range(150)
        ]
        for base in (OFFER, Qos())
    ]
    assert check(participant, *sides) == 150 * 150


def test_brackets_are_letters_to_cyclone(participant: DomainParticipant) -> None:
    """DDS 1.4, 2.2.3.13 names POSIX fnmatch, which has character sets; Cyclone knows * and ? only."""
    offers, requests = [replace(OFFER, partition=("[ab]",))], [replace(Qos(), partition=("a",))]
    assert [matched for _, _, matched, _ in verdicts(participant, offers, requests)] == [False]
    assert partitions_meet(offers[0].partition, requests[0].partition)
