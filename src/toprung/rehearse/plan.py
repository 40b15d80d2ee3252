"""From a declared site to the plan of a rehearsal: everything sound, as the site file says."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Any, Literal

from toprung.errors import UsageError
from toprung.model import qos as q
from toprung.model.site import (
    DeclaredFlow,
    DiscoveryMode,
    Link,
    LinkKind,
    Machine,
    Middleware,
    Participant,
    Site,
    StatedQos,
)
from toprung.rehearse.routes import routes_of
from toprung.rehearse.specs import (
    Action,
    Begin,
    Carrier,
    Claim,
    End,
    EndpointSpec,
    Event,
    Lapse,
    LinkSpec,
    MachineSpec,
    PeerSpec,
    Plan,
    Rule,
    ServerSpec,
    SetRules,
)

__all__ = [
    "Action",
    "Begin",
    "Carrier",
    "Claim",
    "End",
    "EndpointSpec",
    "Event",
    "Lapse",
    "LinkSpec",
    "MachineSpec",
    "PeerSpec",
    "Plan",
    "Rule",
    "ServerSpec",
    "SetRules",
    "plan_of",
]

Peers = Literal["cyclone", "fast", "as-declared"]

DEFAULT_SIZE = 100  # bytes, of a topic that declares none
DEFAULT_RATE = 1.0  # Hz, of a topic that declares none and is not kept for late readers
LAYOUT = "Ls"  # a counter, and a text that fills the size: topics of one type may differ in size


def plan_of(site: Site, *, seconds: float, peers: Peers = "as-declared") -> Plan:
    """The sound plan of a site.  `peers`: the library of every participant, or each one's declared one
    (Cyclone DDS where none, or another, is declared).  Raises UsageError where the site cannot be run so.
    """
    _check(site)
    routes = routes_of(site)
    return Plan(
        machines={m.name: _machine(m, routes[m.name]) for m in site.machines},
        links={link.name: _link(link) for link in site.links},
        peers={p.name: _peer(site, p, _library(p, peers)) for p in site.participants},
        servers=list(_servers(site)),
        seconds=seconds,
    )


def _check(site: Site) -> None:
    """Participants are started with IPv4 addresses alone, and captured at them."""
    where = f"rehearsal of {site.name}"
    if not site.participants:
        raise UsageError("the site declares no participant", where, "participants on its machines are needed")
    for name in dict.fromkeys(p.machine for p in site.participants):
        addresses = (a for m in site.machines if m.name == name for i in m.interfaces for a in i.addresses)
        if not any(a.version == 4 for a in addresses):
            says = f"machine {name} has no IPv4 address, and rehearsals speak IPv4 only"
            raise UsageError(says, where, f"would be right: an IPv4 address (beside others) for {name}")


def _machine(machine: Machine, routes: list[tuple[str, str]]) -> MachineSpec:
    return MachineSpec(
        name=machine.name,
        interfaces={i.name: [str(a) for a in i.addresses] for i in machine.interfaces},
        mtus={i.name: i.mtu_bytes for i in machine.interfaces if i.mtu_bytes is not None},
        routes=routes,
        forwards=tuple(sorted(p.value for p in machine.forwards)),
        slowed=machine.budget.messages_hz if machine.budget else None,
    )


def _link(link: Link) -> LinkSpec:
    return LinkSpec(
        name=link.name,
        joins=[(j.machine, j.interface) for j in link.joins],
        kind=link.kind.value,
        rate_bps=link.rate_bps,
        delay_s=(link.delay_ns or 0) / 1e9,
        loss=link.loss or 0.0,
        access_point=link.kind is LinkKind.WIFI and link.access_point is not False,  # as forecasts take it
        multicast_rate_bps=link.multicast_rate_bps,
        standard=link.standard.value if link.standard else None,
    )


def _library(participant: Participant, peers: Peers) -> Literal["cyclone", "fast"]:
    discovery = participant.discovery
    served = discovery is not None and discovery.mode is DiscoveryMode.SERVER
    declared = participant.middleware
    if peers == "as-declared":
        wanted: Literal["cyclone", "fast"] = (
            "fast" if declared is Middleware.FAST or (served and declared is None) else "cyclone"
        )
    else:
        wanted = peers
    if served and wanted == "cyclone":
        raise UsageError(
            "Cyclone DDS has no central discovery server",
            f"participants.{participant.name}.discovery",
            "run it with --peers fast, or declare `middleware: fast`",
        )
    return wanted


def _peer(site: Site, participant: Participant, library: Literal["cyclone", "fast"]) -> PeerSpec:
    discovery = participant.discovery
    spec = PeerSpec(participant.name, participant.machine, library, domain=site.domain)
    spec.interfaces = None if participant.interfaces is None else list(participant.interfaces)
    if discovery is not None:
        spec.mode = discovery.mode.value
        spec.peers = list(discovery.peers)
        spec.server = "{}:{}".format(*discovery.server) if discovery.server else ""
    flows = site.flows()
    spec.writers = list(_endpoints(f for f in flows if f.writer == participant.name))
    spec.readers = [
        replace(e, rate=None, count=None, qos=qos_words(f.requested))
        for e, f in _with_flows(f for f in flows if f.reader == participant.name)
    ]
    return spec


def _endpoints(flows: Iterable[DeclaredFlow]) -> Iterator[EndpointSpec]:
    return (endpoint for endpoint, _ in _with_flows(flows))


def _with_flows(flows: Iterable[DeclaredFlow]) -> Iterator[tuple[EndpointSpec, DeclaredFlow]]:
    """One endpoint a topic of the wire, as its writer has it, beside the first of its flows."""
    firsts: dict[str, DeclaredFlow] = {}
    for flow in flows:
        firsts.setdefault(flow.wire_topic, flow)
    for topic, flow in firsts.items():
        kept = flow.rate_hz is None and flow.offered.qos.durability > q.Durability.VOLATILE
        yield (
            EndpointSpec(
                topic=topic,
                type=flow.type_name or type_for(topic),
                layout=LAYOUT,
                size=flow.size_bytes or DEFAULT_SIZE,
                rate=None if kept else (flow.rate_hz or DEFAULT_RATE),
                count=1 if kept else None,
                qos=qos_words(flow.offered),
            ),
            flow,
        )


def type_for(topic: str) -> str:
    """A type's name for a topic that declares none."""
    words = "".join(c if c.isascii() and c.isalnum() else " " for c in topic).split()
    return "rehearsed::" + ("".join(w.capitalize() for w in words) or "Topic").lstrip("0123456789")


def qos_words(stated: StatedQos) -> dict[str, Any]:
    """The declared policies in the peers' words.  Reliability is always said: libraries differ in their
    defaults.
    """
    words: dict[str, Any] = {"reliability": q.word(stated.qos.reliability)}
    for policy in sorted(stated.policies):
        words |= _POLICIES[policy](stated.qos)
    return words


def _seconds(name: str, ns: int) -> dict[str, Any]:
    """Infinite durations are every library's default."""
    return {} if ns >= q.INFINITE else {name: ns / 1e9}


_POLICIES: dict[str, Any] = {
    "reliability": lambda o: {"reliability": q.word(o.reliability)},
    "durability": lambda o: {"durability": q.word(o.durability)},
    "deadline": lambda o: _seconds("deadline", o.deadline_ns),
    "latency_budget": lambda o: _seconds("latency_budget", o.latency_budget_ns),
    "liveliness": lambda o: (
        {"liveliness": q.word(o.liveliness)} | _seconds("liveliness_lease", o.liveliness_lease_ns)
    ),
    "ownership": lambda o: (
        {"ownership": q.word(o.ownership)}
        | ({"strength": o.ownership_strength} if o.ownership_strength else {})
    ),
    "destination_order": lambda o: {"destination_order": q.word(o.destination_order)},
    "presentation": lambda o: (
        {"access_scope": q.word(o.access_scope)}
        | {k: True for k, v in (("coherent", o.coherent_access), ("ordered", o.ordered_access)) if v}
    ),
    "partition": lambda o: {"partition": list(o.partition)} if o.partition else {},
    "data_representation": lambda o: (
        {"representation": [q.representation_word(r) for r in o.representation]} if o.representation else {}
    ),
    "history": lambda o: {"depth": 1000 if o.history is q.History.KEEP_ALL else o.history_depth},
    "resource_limits": lambda o: {},  # what the peers may hold is theirs to say
    "lifespan": lambda o: _seconds("lifespan", o.lifespan_ns),
}


def _servers(site: Site) -> Iterator[ServerSpec]:
    """One server for each machine and port that participants ask, however they address it."""
    asked = {p.discovery.server: p for p in site.participants if p.discovery and p.discovery.server}
    places: dict[tuple[str, int], list[str]] = {}
    for (address, port), participant in asked.items():
        machine = site.machine_at(address)
        if machine is None:
            raise UsageError(
                f"no machine has the discovery server's address {address}",
                f"participants.{participant.name}.discovery",
                "an address of one of the site's machines",
            )
        places.setdefault((machine.name, port), []).append(address)
    for (name, port), addresses in places.items():
        yield ServerSpec(name, tuple(addresses), port)
