"""Faults of agreement: endpoints that know each other and do not match."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from toprung.rehearse.kinds.kind import (
    Ask,
    Change,
    Key,
    Kind,
    Subject,
    flows_on_topic,
    one_of,
    readers_on_topic,
    text,
    writers_on_topic,
)
from toprung.rehearse.specs import EndpointSpec, Plan

OTHER_LAYOUT = "Lds"  # a member more than the sound one's

# cause, what the writer offers, what the reader requests (DDS 1.4, 2.2.3)
POLICIES: dict[str, tuple[str, dict[str, Any], dict[str, Any]]] = {
    "reliability": ("qos-reliability", {"reliability": "best_effort"}, {"reliability": "reliable"}),
    "durability": ("qos-durability", {"durability": "volatile"}, {"durability": "transient_local"}),
    "deadline": ("qos-deadline", {"deadline": 1.0}, {"deadline": 0.2}),
    "latency-budget": ("qos-latency-budget", {"latency_budget": 0.5}, {"latency_budget": 0.01}),
    "liveliness": ("qos-liveliness", {"liveliness": "automatic"}, {"liveliness": "manual_by_topic"}),
    "liveliness-lease": (
        "qos-liveliness",
        {"liveliness": "automatic", "liveliness_lease": 6.0},
        {"liveliness": "automatic", "liveliness_lease": 2.0},
    ),
    "ownership": ("qos-ownership", {"ownership": "shared"}, {"ownership": "exclusive"}),
    "destination-order": ("qos-destination-order", {}, {"destination_order": "by_source_timestamp"}),
    "presentation": ("qos-presentation", {}, {"access_scope": "topic", "ordered": True}),
    "partition": ("partition", {"partition": ["west"]}, {"partition": ["east"]}),
    "representation": ("data-representation", {"representation": ["xcdr2"]}, {"representation": ["xcdr1"]}),
}


def _disagree(offered: dict[str, Any], requested: dict[str, Any]) -> Change:
    def change(plan: Plan, ask: Ask) -> None:
        for endpoint in writers_on_topic(plan, ask):
            endpoint.qos.update(offered)
        for endpoint in readers_on_topic(plan, ask):
            endpoint.qos.update(requested)

    return change


def _one_end(how: Callable[[EndpointSpec, Ask], None]) -> Change:
    """A change of the topic's readers, or of its writers."""

    def change(plan: Plan, ask: Ask) -> None:
        ends = writers_on_topic if ask.values["end"] == "writer" else readers_on_topic
        for endpoint in ends(plan, ask):
            how(endpoint, ask)

    return change


def _rename_topic(endpoint: EndpointSpec, ask: Ask) -> None:
    endpoint.topic = ask.values["to"] or _miswritten(endpoint.topic)


def _miswritten(topic: str) -> str:
    """The last part with a capital letter: the mistake that people make."""
    head, slash, last = topic.rpartition("/")
    return head + slash + (last.capitalize() if not last[:1].isupper() else last.lower())


def _rename_type(endpoint: EndpointSpec, ask: Ask) -> None:
    space, _, last = endpoint.type.rpartition("::")
    endpoint.type = ask.values["to"] or f"{space or 'old'}_v1::{last}"


def _other_type(endpoint: EndpointSpec, ask: Ask) -> None:
    endpoint.layout = OTHER_LAYOUT


END = Key("end", "reader", one_of("writer", "reader"), "which of the two is changed")
TO = Key("to", "", text, "the other name")

KINDS = (
    *(
        Kind(
            f"{policy}-mismatch",
            Subject.TOPIC,
            f"the readers ask for more than the writers offer: {policy.replace('-', ' ')}",
            (cause,),
            _disagree(offered, requested),
            flows_on_topic,
        )
        for policy, (cause, offered, requested) in POLICIES.items()
    ),
    Kind(
        "topic-renamed",
        Subject.TOPIC,
        "one end calls the topic by another name",
        ("topic-name",),
        _one_end(_rename_topic),
        flows_on_topic,
        keys=(TO, END),
    ),
    Kind(
        "type-renamed",
        Subject.TOPIC,
        "one end calls the type by another name",
        ("type-name",),
        _one_end(_rename_type),
        flows_on_topic,
        keys=(TO, END),
    ),
    Kind(
        "type-changed",
        Subject.TOPIC,
        "one end has another definition of the type, by the same name",
        ("type-definition",),
        _one_end(_other_type),
        flows_on_topic,
        keys=(END,),
        library="cyclone",
    ),
)
