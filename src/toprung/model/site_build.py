"""From the validated entries of a site file to the nouns."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from toprung.model import qos as q
from toprung.model import site as nouns
from toprung.model import site_schema as entries

_UNLIMITED = -1  # DDS 1.4, 2.2.3.19: LENGTH_UNLIMITED


def build(entry: entries.SiteEntry) -> nouns.Site:
    """The site that the entries describe; references are taken to be right."""
    return nouns.Site(
        name=entry.site,
        domain=entry.domain,
        naming=entry.naming,
        machines=tuple(_machine(n, e) for n, e in entry.machines.items()),
        links=tuple(_link(n, e) for n, e in entry.links.items()),
        participants=tuple(_participant(n, e) for n, e in entry.participants.items()),
        topics=tuple(_topic(n, e) for n, e in entry.topics.items()),
        services=tuple(_service(n, e) for n, e in entry.services.items()),
        actions=tuple(_action(n, e) for n, e in entry.actions.items()),
        loops=tuple(_loop(n, e) for n, e in entry.loops.items()),
        vehicles=tuple(_vehicle(n, e) for n, e in entry.vehicles.items()),
        power=tuple(_power(n, e) for n, e in entry.power.items()),
        fleets=tuple(_fleet(n, e) for n, e in entry.fleets.items()),
    )


def joint(text: str) -> nouns.Joint:
    """ "base.usb0" -> the interface usb0 of base; interface names may hold dots, machine names may not."""
    machine, _, interface = text.partition(".")
    return nouns.Joint(machine, interface)


def _machine(name: str, e: entries.MachineEntry) -> nouns.Machine:
    interfaces = tuple(nouns.Interface(n, tuple(i.address), i.mtu) for n, i in e.interfaces.items())
    budget = (
        None
        if e.budget is None
        else nouns.Budget(e.budget.participants, e.budget.endpoints, e.budget.messages)
    )
    return nouns.Machine(name, e.role, interfaces, budget, frozenset(e.forwards))


def _link(name: str, e: entries.LinkEntry) -> nouns.Link:
    return nouns.Link(
        name=name,
        kind=e.kind,
        joins=tuple(map(joint, e.joins)),
        rate_bps=e.rate,
        delay_ns=e.delay,
        standard=e.standard,
        multicast_rate_bps=e.multicast_rate,
        access_point=e.access_point,
        loss=e.loss,
    )


def _participant(name: str, e: entries.ParticipantEntry) -> nouns.Participant:
    interfaces = None if e.interfaces is None else tuple(e.interfaces)
    return nouns.Participant(name, e.machine, e.middleware, interfaces, _discovery(e.discovery))


def _discovery(e: entries.DiscoveryEntry | None) -> nouns.Discovery | None:
    if e is None:
        return None
    if e.server is not None:
        return nouns.Discovery(nouns.DiscoveryMode.SERVER, server=e.server)
    if e.peers is not None:
        return nouns.Discovery(nouns.DiscoveryMode.PEERS, peers=tuple(e.peers))
    return nouns.Discovery(nouns.DiscoveryMode.MULTICAST)


def _topic(name: str, e: entries.TopicEntry) -> nouns.Topic:
    offered, requested = _sides(e.qos)
    return nouns.Topic(
        name=name,
        type_name=e.type,
        size_bytes=e.size,
        rate_hz=e.rate,
        writers=tuple(e.writers),
        readers=tuple(e.readers),
        offered=offered,
        requested=requested,
        within_ns=e.within,
        loss=e.loss,
        exclusive=e.exclusive,
    )


def _service(name: str, e: entries.ServiceEntry) -> nouns.Service:
    ends = tuple(e.writers), tuple(e.readers)
    return nouns.Service(name, e.type, *ends, *_sides(e.qos), rate_hz=e.rate, within_ns=e.within)


def _action(name: str, e: entries.ActionEntry) -> nouns.Action:
    return nouns.Action(name, e.type, tuple(e.writers), tuple(e.readers), *_sides(e.qos))


def _loop(name: str, e: entries.LoopEntry) -> nouns.Loop:
    work = tuple(nouns.Work(participant, time) for participant, time in e.work.items())
    sense = None if e.sense is None else nouns.Sense(e.sense.topic, e.sense.range)
    return nouns.Loop(name, tuple(e.through), work, sense, e.vehicle)


def _vehicle(name: str, e: entries.VehicleEntry) -> nouns.Vehicle:
    return nouns.Vehicle(name, e.top_speed, e.braking, e.margin, e.watchdog, e.track, e.wheel_diameter)


def _power(name: str, e: entries.PowerEntry) -> nouns.Power:
    loads = tuple(nouns.PowerLoad(n, w) for n, w in e.loads.items())
    return nouns.Power(
        name,
        e.capacity,
        loads,
        e.reserve,
        e.dock_power,
        peukert=e.peukert,
        rated_ns=e.rated,
        farthest_m=e.farthest,
        speed_m_per_s=e.speed,
    )


def _fleet(name: str, e: entries.FleetEntry) -> nouns.Fleet:
    """`of` lists the machines of each copy, as `site_fleets.spread` leaves it."""
    return nouns.Fleet(name, tuple(tuple([c] if isinstance(c, str) else c) for c in e.of))


def _sides(e: entries.QosEntry | None) -> tuple[nouns.StatedQos, nouns.StatedQos]:
    """Offered and requested: what is said of both, then what is said of each."""
    if e is None:
        return nouns.OFFERED, nouns.REQUESTED
    return (
        _stated(nouns.OFFERED, e, e.offered),
        _stated(nouns.REQUESTED, e, e.requested),
    )


def _stated(default: nouns.StatedQos, *layers: entries.PoliciesEntry | None) -> nouns.StatedQos:
    qos, policies = default.qos, set(default.policies)
    for layer in layers:
        if layer is None:
            continue
        for policy, fields in POLICY_FIELDS.items():
            value = getattr(layer, policy)
            if value is not None:
                qos = replace(qos, **fields(value))
                policies.add(policy)
    return nouns.StatedQos(qos, frozenset(policies))


def _liveliness(e: entries.LivelinessEntry) -> dict[str, Any]:
    kind = q.Liveliness[(e.kind or "automatic").upper()]
    return {"liveliness": kind, "liveliness_lease_ns": q.INFINITE if e.lease is None else e.lease}


def _presentation(e: entries.PresentationEntry) -> dict[str, Any]:
    scope = q.AccessScope[e.scope.upper()]
    return {"access_scope": scope, "coherent_access": e.coherent, "ordered_access": e.ordered}


def _limits(e: entries.ResourceLimitsEntry) -> dict[str, Any]:
    return {
        "max_samples": e.samples or _UNLIMITED,
        "max_instances": e.instances or _UNLIMITED,
        "max_samples_per_instance": e.samples_per_instance or _UNLIMITED,
    }


# the site file's policy word -> the fields of Qos that it sets
POLICY_FIELDS: dict[str, Any] = {
    "reliability": lambda e: {"reliability": q.Reliability[e.upper()]},
    "durability": lambda e: {"durability": q.Durability[e.upper()]},
    "deadline": lambda e: {"deadline_ns": e},
    "latency_budget": lambda e: {"latency_budget_ns": e},
    "liveliness": _liveliness,
    "ownership": lambda e: {"ownership": q.Ownership[e.kind.upper()], "ownership_strength": e.strength},
    "destination_order": lambda e: {"destination_order": q.DestinationOrder[e.upper()]},
    "presentation": _presentation,
    "partition": lambda e: {"partition": tuple(e)},
    "data_representation": lambda e: {"representation": tuple(int(q.Representation[r.upper()]) for r in e)},
    "history": lambda e: {"history": q.History[e.kind.upper()], "history_depth": e.depth},
    "resource_limits": _limits,
    "lifespan": lambda e: {"lifespan_ns": e},
}
