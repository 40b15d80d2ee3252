"""QoS of a writer or reader, and the request/offer rules (DDS 1.4, 2.2.3; XTypes 1.3, 7.6.3.1).

Durations are integer nanoseconds; `INFINITE` is the standard's infinite duration.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from fnmatch import translate
from functools import lru_cache
from re import Pattern
from re import compile as compile_pattern

INFINITE = 1 << 62  # ns; longer than any duration the wire can carry


class Reliability(IntEnum):
    BEST_EFFORT = 0
    RELIABLE = 1


class Durability(IntEnum):
    VOLATILE = 0
    TRANSIENT_LOCAL = 1
    TRANSIENT = 2
    PERSISTENT = 3


class Liveliness(IntEnum):
    AUTOMATIC = 0
    MANUAL_BY_PARTICIPANT = 1
    MANUAL_BY_TOPIC = 2


class Ownership(IntEnum):
    SHARED = 0
    EXCLUSIVE = 1


class DestinationOrder(IntEnum):
    BY_RECEPTION_TIMESTAMP = 0
    BY_SOURCE_TIMESTAMP = 1


class AccessScope(IntEnum):
    INSTANCE = 0
    TOPIC = 1
    GROUP = 2


class History(IntEnum):
    KEEP_LAST = 0
    KEEP_ALL = 1


class Representation(IntEnum):
    XCDR1 = 0
    XML = 1
    XCDR2 = 2


@dataclass(frozen=True, slots=True)
class Qos:
    """What one endpoint offers or requests; the defaults are the standard's (reliability: a reader's)."""

    reliability: Reliability = Reliability.BEST_EFFORT
    durability: Durability = Durability.VOLATILE
    deadline_ns: int = INFINITE
    latency_budget_ns: int = 0
    liveliness: Liveliness = Liveliness.AUTOMATIC
    liveliness_lease_ns: int = INFINITE
    ownership: Ownership = Ownership.SHARED
    ownership_strength: int = 0
    destination_order: DestinationOrder = DestinationOrder.BY_RECEPTION_TIMESTAMP
    access_scope: AccessScope = AccessScope.INSTANCE
    coherent_access: bool = False
    ordered_access: bool = False
    partition: tuple[str, ...] = ()
    representation: tuple[int, ...] = ()  # empty: the default, XCDR1
    history: History = History.KEEP_LAST
    history_depth: int = 1
    max_samples: int = -1  # -1: unlimited, as in the standard
    max_instances: int = -1
    max_samples_per_instance: int = -1
    lifespan_ns: int = INFINITE
    time_based_filter_ns: int = 0
    transport_priority: int = 0


@dataclass(frozen=True, slots=True)
class Conflict:
    """One policy that keeps a writer and a reader apart; `policy_id` is the DDS standard's."""

    code: str  # a cause of `toprung.model.causes`
    policy_id: int
    offered: str
    requested: str


def conflicts(offered: Qos, requested: Qos) -> tuple[Conflict, ...]:
    """Every request/offer policy on which the two disagree, in the order of the policies' ids."""
    return tuple(_conflicts(offered, requested))


def _conflicts(o: Qos, r: Qos) -> Iterator[Conflict]:
    if o.durability < r.durability:
        yield Conflict("qos-durability", 2, word(o.durability), word(r.durability))
    if (
        o.access_scope < r.access_scope
        or (r.coherent_access and not o.coherent_access)
        or (r.ordered_access and not o.ordered_access)
    ):
        yield Conflict("qos-presentation", 3, presentation_words(o), presentation_words(r))
    if o.deadline_ns > r.deadline_ns:
        yield Conflict("qos-deadline", 4, span(o.deadline_ns), span(r.deadline_ns))
    if o.latency_budget_ns > r.latency_budget_ns:
        yield Conflict("qos-latency-budget", 5, span(o.latency_budget_ns), span(r.latency_budget_ns))
    if o.ownership != r.ownership:
        yield Conflict("qos-ownership", 6, word(o.ownership), word(r.ownership))
    if o.liveliness < r.liveliness or o.liveliness_lease_ns > r.liveliness_lease_ns:
        yield Conflict("qos-liveliness", 8, liveliness_words(o), liveliness_words(r))
    if o.reliability < r.reliability:
        yield Conflict("qos-reliability", 11, word(o.reliability), word(r.reliability))
    if o.destination_order < r.destination_order:
        yield Conflict("qos-destination-order", 12, word(o.destination_order), word(r.destination_order))
    writes = (o.representation or (Representation.XCDR1,))[0]  # only the first one counts
    accepts = r.representation or (Representation.XCDR1,)
    if writes not in accepts:
        yield Conflict(
            "data-representation",
            23,
            representation_word(writes),
            " or ".join(map(representation_word, accepts)),
        )


def partitions_meet(one: tuple[str, ...], other: tuple[str, ...]) -> bool:
    """Whether two partition lists share a name (DDS 1.4, 2.2.3.13).

    An empty list is the partition "".  A name may be a pattern (POSIX fnmatch); a pattern matches plain
    names only, never another pattern.
    """
    some, others = set(one or ("",)), set(other or ("",))
    if any(not _is_pattern(name) for name in some & others):
        return True
    return _covers(some, others) or _covers(others, some)


def _covers(names: set[str], others: set[str]) -> bool:
    """Whether a pattern among `names` matches a plain name among `others`."""
    patterns = [_pattern(name) for name in names if _is_pattern(name)]
    plain = [name for name in others if not _is_pattern(name)] if patterns else []
    return any(pattern.match(name) for pattern in patterns for name in plain)


def _is_pattern(name: str) -> bool:
    return any(c in name for c in "*?[")


@lru_cache(maxsize=256)
def _pattern(name: str) -> Pattern[str]:
    return compile_pattern(translate(name))


def word(value: IntEnum) -> str:
    """The standard's word for a policy's kind, as site files spell it."""
    return value.name.lower()


def span(ns: int) -> str:
    """A duration with its unit: "40 ms", "infinite"."""
    if ns >= INFINITE:
        return "infinite"
    for unit, size in (("s", 1_000_000_000), ("ms", 1_000_000), ("us", 1_000)):
        if ns >= size:
            return f"{ns / size:.4g} {unit}"
    return f"{ns} ns"


def presentation_words(q: Qos) -> str:
    return word(q.access_scope) + " coherent" * q.coherent_access + " ordered" * q.ordered_access


def liveliness_words(q: Qos) -> str:
    return f"{word(q.liveliness)} {span(q.liveliness_lease_ns)}"


def representation_word(value: int) -> str:
    names = {int(r): r.name.lower() for r in Representation}
    return names.get(value, f"encoding {value}")
