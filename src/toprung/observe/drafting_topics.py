"""Topics and services of a drafted site: who writes and reads what, how often, under which QoS."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from decimal import ROUND_FLOOR, Decimal
from re import fullmatch

from toprung.model.picture import Endpoint, Picture, Samples, Side
from toprung.model.qos import Qos, Representation
from toprung.model.site import OFFERED, REQUESTED, Naming, Service, StatedQos, Topic

ENCAPSULATION_BYTES = 4  # DDSI-RTPS 2.5, 10.2: representation identifier and options
FEWEST_SAMPLES = 8  # below, a rate is chance
STEADY = 3.0  # a rate is written where the 95th percentile between samples is below this many medians

# policy word -> the fields of Qos; a policy is written where it differs from the standard's default
_FIELDS = {
    "reliability": ("reliability",),
    "durability": ("durability",),
    "deadline": ("deadline_ns",),
    "latency_budget": ("latency_budget_ns",),
    "liveliness": ("liveliness", "liveliness_lease_ns"),
    "ownership": ("ownership", "ownership_strength"),
    "destination_order": ("destination_order",),
    "presentation": ("access_scope", "coherent_access", "ordered_access"),
    "partition": ("partition",),
    "data_representation": ("representation",),
}
_ALWAYS = frozenset({"reliability", "durability"})


def naming_of(picture: Picture) -> Naming:
    """Prefixed, where most user topics carry the prefixes."""
    topics = {e.topic for e in picture.endpoints if e.topic is not None}
    prefixed = sum(t.startswith(("rt/", "rq/", "rr/")) for t in topics)
    return Naming.PREFIXED if topics and 2 * prefixed > len(topics) else Naming.PLAIN


def draft_topics(
    picture: Picture, names: dict[int, str], naming: Naming
) -> tuple[tuple[Topic, ...], tuple[Service, ...]]:
    """Every topic and service that a named participant announced."""
    by_topic: dict[str, list[Endpoint]] = defaultdict(list)
    for endpoint in picture.endpoints:
        if endpoint.topic is not None and endpoint.participant in names and _speakable(endpoint.topic):
            by_topic[endpoint.topic].append(endpoint)
    if naming is Naming.PLAIN:
        return tuple(_topic(picture, names, t, t, ends, naming) for t, ends in by_topic.items()), ()
    topics = tuple(
        _topic(picture, names, wire.removeprefix("rt/"), wire, ends, naming)
        for wire, ends in by_topic.items()
        if wire.startswith("rt/")
    )
    return topics, tuple(_services(names, by_topic))


def _speakable(topic: str) -> bool:
    """Whether a site file can hold the name."""
    return 0 < len(topic) <= 255 and topic.isprintable() and " " not in topic


def _topic(
    picture: Picture, names: dict[int, str], name: str, wire: str, ends: Sequence[Endpoint], naming: Naming
) -> Topic:
    writers = [e for e in ends if e.side is Side.WRITER]
    samples = [s for s in picture.samples if s.writer in {w.guid for w in writers}]
    return Topic(
        name=name,
        type_name=_type(ends, naming),
        size_bytes=_size(samples),
        rate_hz=_rate(samples),
        writers=_who(names, writers),
        readers=_who(names, (e for e in ends if e.side is Side.READER)),
        offered=_stated(writers, OFFERED),
        requested=_stated([e for e in ends if e.side is Side.READER], REQUESTED),
    )


def _who(names: dict[int, str], ends: Iterable[Endpoint]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(names[e.participant] for e in ends))


def _type(ends: Iterable[Endpoint], naming: Naming) -> str | None:
    counted = Counter(e.type_name for e in ends if e.type_name)
    if not counted:
        return None
    name = counted.most_common(1)[0][0] or ""
    return _unwired(name) if naming is Naming.PREFIXED else name if _speakable(name) else None


def _unwired(type_name: str) -> str | None:
    """cart::dds_::Odometry_ -> cart::Odometry"""
    match = fullmatch(r"((?:\w+::)*)dds_::(\w+)_", type_name)
    return None if match is None else match[1] + match[2]


def _size(samples: Sequence[Samples]) -> int | None:
    sizes = [s.payload_bytes - ENCAPSULATION_BYTES for s in samples if s.whole]
    return max((size for size in sizes if size > 0), default=None)


def _rate(samples: Sequence[Samples]) -> float | None:
    """The slowest writer's rate, rounded down to two digits; None where any of them is irregular."""
    rates = [_steady_rate(s) for s in samples if s.whole]
    known = [r for r in rates if r is not None]
    return _rounded_down(min(known)) if known and len(known) == len(rates) else None


def _steady_rate(s: Samples) -> float | None:
    if s.whole < FEWEST_SAMPLES or s.between is None or s.between.p95 > STEADY * s.between.p50:
        return None
    return s.rate_hz


def _rounded_down(rate_hz: float) -> float | None:
    if rate_hz <= 0:
        return None
    exact = Decimal(repr(rate_hz))
    step = Decimal(1).scaleb(exact.adjusted() - 1)
    return float((exact / step).to_integral_value(ROUND_FLOOR) * step)


def _stated(ends: Sequence[Endpoint], default: StatedQos) -> StatedQos:
    """The policies on which all ends agree and that say something."""
    seen = [e.qos for e in ends if e.qos is not None]
    if not seen:
        return default
    first, known = seen[0], set(map(int, Representation))
    policies = {
        policy
        for policy in _FIELDS
        if all(_value(q, policy) == _value(first, policy) for q in seen)
        and (policy in _ALWAYS or _value(first, policy) != _value(default.qos, policy))
    }
    if not set(first.representation) <= known or not all(p.isprintable() for p in first.partition):
        policies -= {"data_representation", "partition"}
    return StatedQos(_only(first, policies, default.qos), frozenset(policies))


def _value(qos: Qos, policy: str) -> tuple[object, ...]:
    return tuple(getattr(qos, name) for name in _FIELDS[policy])


def _only(qos: Qos, policies: Iterable[str], default: Qos) -> Qos:
    """The default with these policies of `qos`."""
    fields = {name: getattr(qos, name) for policy in policies for name in _FIELDS[policy]}
    return replace(default, **fields)


def _services(names: dict[int, str], by_topic: dict[str, list[Endpoint]]) -> Iterable[Service]:
    """A service for each pair of request and reply topics."""
    for wire, ends in by_topic.items():
        name = wire.removeprefix("rq/").removesuffix("Request")
        replies = by_topic.get(f"rr/{name}Reply")
        if wire != f"rq/{name}Request" or replies is None:
            continue
        asked = _type(ends, Naming.PREFIXED)
        yield Service(
            name=name,
            type_name=None if asked is None else asked.removesuffix("_Request"),
            clients=_who(names, (e for e in ends if e.side is Side.WRITER)),
            servers=_who(names, (e for e in ends if e.side is Side.READER)),
            offered=_stated([e for e in (*ends, *replies) if e.side is Side.WRITER], OFFERED),
            requested=_stated([e for e in (*ends, *replies) if e.side is Side.READER], REQUESTED),
        )
