"""From a site's topics, services and actions to flows, and from its names to the wire's.

With `naming: prefixed`, a topic `cart1/odom` is `rt/cart1/odom` on the wire and a type `cart::Odometry`
is `cart::dds_::Odometry_`; a service is a pair of topics under `rq/` and `rr/`.  With `naming: plain`,
names are taken as they are, and a service `cart1/dock` is the topics `cart1/dock/request` and
`cart1/dock/reply`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from toprung.model.site import Action, DeclaredFlow, Naming, Service, Site, Topic

# the five parts of an action: (part, name on a prefixed wire, suffix of the type; None: a type of its own)
ACTION_SERVICES = (
    ("goal", "_action/send_goal", "_SendGoal"),
    ("cancel", "_action/cancel_goal", None),
    ("result", "_action/get_result", "_GetResult"),
)
ACTION_TOPICS = (
    ("feedback", "_action/feedback", "_FeedbackMessage"),
    ("status", "_action/status", None),
)

# the topics that an entry of each section becomes, under its own name
PARTS = {
    "services": ("request", "reply"),
    "actions": (
        *(f"{part}/{way}" for part, _, _ in ACTION_SERVICES for way in ("request", "reply")),
        *(part for part, _, _ in ACTION_TOPICS),
    ),
}


def flows_of(site: Site) -> Iterator[DeclaredFlow]:
    """Every flow of the site.  A participant's own samples never leave it: such pairs are no flows."""
    for topic in site.topics:
        yield from _topic_flows(topic, site.naming)
    for service in site.services:
        yield from _service_flows(service, service.name, service.type_name, site.naming)
    for action in site.actions:
        yield from _action_flows(action, site.naming)


def wire_topic(name: str, naming: Naming) -> str:
    """The topic's name as the wire shows it."""
    return name if naming is Naming.PLAIN else "rt/" + name.removeprefix("/")


def wire_type(name: str | None, naming: Naming) -> str | None:
    """The type's name as the wire shows it."""
    if name is None or naming is Naming.PLAIN:
        return name
    namespace, colons, last = name.rpartition("::")
    return f"{namespace}{colons}dds_::{last}_"


def _topic_flows(topic: Topic, naming: Naming) -> Iterator[DeclaredFlow]:
    for writer, reader in _pairs(topic.writers, topic.readers):
        yield DeclaredFlow(
            topic=topic.name,
            wire_topic=wire_topic(topic.name, naming),
            type_name=wire_type(topic.type_name, naming),
            writer=writer,
            reader=reader,
            offered=topic.offered,
            requested=topic.requested,
            rate_hz=topic.rate_hz,
            size_bytes=topic.size_bytes,
            within_ns=topic.within_ns,
            loss=topic.loss,
            exclusive=topic.exclusive,
        )


def _service_flows(
    service: Service, wire_name: str, type_name: str | None, naming: Naming
) -> Iterator[DeclaredFlow]:
    bare = wire_name.removeprefix("/")
    for way, prefix, suffix, type_suffix, writers, readers in (
        ("request", "rq/", "Request", "_Request", service.clients, service.servers),
        ("reply", "rr/", "Reply", "_Response", service.servers, service.clients),
    ):
        plain = naming is Naming.PLAIN
        for writer, reader in _pairs(writers, readers):
            yield DeclaredFlow(
                topic=f"{service.name}/{way}",
                wire_topic=f"{service.name}/{way}" if plain else prefix + bare + suffix,
                type_name=wire_type(None if type_name is None else type_name + type_suffix, naming),
                writer=writer,
                reader=reader,
                offered=service.offered,
                requested=service.requested,
                rate_hz=service.rate_hz,
                within_ns=service.within_ns,
            )


def _action_flows(action: Action, naming: Naming) -> Iterator[DeclaredFlow]:
    ends, qos = (action.clients, action.servers), (action.offered, action.requested)
    for part, wire_part, suffix in ACTION_SERVICES:
        service = Service(f"{action.name}/{part}", None, *ends, *qos)
        wire_name = f"{action.name}/{wire_part}"
        yield from _service_flows(service, wire_name, _with(action.type_name, suffix), naming)
    for part, wire_part, suffix in ACTION_TOPICS:
        name = f"{action.name}/{part}"
        wire_name = name if naming is Naming.PLAIN else f"{action.name}/{wire_part}"
        type_name = wire_type(_with(action.type_name, suffix), naming)
        for server, client in _pairs(action.servers, action.clients):
            yield DeclaredFlow(name, wire_topic(wire_name, naming), type_name, server, client, *qos)


def _with(type_name: str | None, suffix: str | None) -> str | None:
    return None if type_name is None or suffix is None else type_name + suffix


def _pairs(writers: Iterable[str], readers: Iterable[str]) -> Iterator[tuple[str, str]]:
    readers = tuple(readers)
    return ((w, r) for w in writers for r in readers if w != r)
