"""Faults of the way: datagrams that do not pass."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from ipaddress import ip_interface

from toprung.model.ladder import Flow
from toprung.model.site import DeclaredFlow, DiscoveryMode, LinkKind
from toprung.rehearse.kinds.kind import (
    Ask,
    Key,
    Kind,
    Subject,
    flows_of_participants,
    octets,
    one_of,
    seconds,
    unfit,
    whole,
)
from toprung.rehearse.kinds.places import (
    WAY,
    block,
    flows_meeting,
    forth,
    guard,
    meeting,
    passing,
    place_of,
    put,
)
from toprung.rehearse.specs import Carrier, Claim, Event, MachineSpec, Plan, Rule

FIRST_FRAGMENT = 1472  # bytes of UDP payload that fit an Ethernet frame: 1500 less IP and UDP headers
OVERHEAD = 100  # bytes of IP, UDP and RTPS headers around a sample, about


def _foreign(plan: Plan, ask: Ask) -> None:
    machine = plan.machines[ask.subject]
    for n, (name, said) in enumerate(machine.interfaces.items()):
        wanted = ask.values["address"]
        machine.interfaces[name] = [wanted or f"10.99.{n + 1}.{_host(said)}/24"]
    machine.routes = []


def _host(said: list[str]) -> int:
    return int(ip_interface(said[0]).ip) & 0xFF or 9 if said else 9


def _cut(plan: Plan, ask: Ask) -> None:
    place = place_of(ask)
    ends = [j for j in plan.links[place.link].joins if place.machine in ("", j[0])]
    begins = ask.at_s or 0.0
    for machine, interface in ends:
        plan.events.append(Event(begins, Carrier(machine, interface, up=False)))
        if ask.values["for"]:
            plan.events.append(Event(begins + ask.values["for"], Carrier(machine, interface, up=True)))


def _felt_by_cut(ask: Ask) -> list[Flow]:
    """Flows that should have carried samples in the meantime, and cannot make up for them."""
    short = bool(ask.values["for"])
    return [
        f.flow
        for f in meeting(ask)
        if f.rate_hz is not None and not (short and _reliable(f)) and f.rate_hz * (ask.values["for"] or 9) > 4
    ]


def _reliable(flow: DeclaredFlow) -> bool:
    return bool(flow.offered.qos.reliability and flow.requested.qos.reliability)


def _multicast_breaks(ask: Ask) -> list[Flow]:
    """Two participants miss each other only if neither hears the other's multicast and none has a list."""
    if ask.values["way"] != "both" or place_of(ask).firewall:
        return []
    listed = {
        p.name
        for p in ask.site.participants
        if p.discovery and p.discovery.mode is not DiscoveryMode.MULTICAST
    }
    return [f.flow for f in meeting(ask) if not {f.writer, f.reader} & listed]


def _ports_closed(plan: Plan, ask: Ask) -> None:
    first, last = ask.values["first"], ask.values["last"]
    guard(plan, ask.subject, f"ip daddr != 224.0.0.0/4 udp dport {first}-{last}")


def _all_ports(ask: Ask) -> list[Flow]:
    """Only with every port closed nothing is left to chance."""
    wide = ask.values["first"] <= 1024 and ask.values["last"] == 65535
    return flows_of_participants(ask) if wide else []


def _ttl(plan: Plan, ask: Ask) -> None:
    for name, peer in plan.peers.items():
        if ask.subject in ("all", name, peer.machine):
            peer.ttl = 1


def _beyond_a_router(ask: Ask) -> list[Flow]:
    named = {p.name for p in ask.site.participants if ask.subject in ("all", p.name, p.machine)}
    return [
        f.flow
        for f in ask.flows()
        if {f.writer, f.reader} <= named and min((len(w) for w in forth(ask, f)), default=0) > 1
    ]


def _needs_router(plan: Plan, ask: Ask) -> None:
    if not _beyond_a_router(ask):
        raise unfit(
            ask, "no flow crosses a router", "a site with `forwards: [unicast, multicast]` on the way"
        )
    _ttl(plan, ask)


def _big(ask: Ask, above: int) -> list[DeclaredFlow]:
    return [f for f in passing(ask) if (f.size_bytes or 0) + OVERHEAD > above]


def _small_mtu_breaks(ask: Ask) -> list[Flow]:
    return [f.flow for f in _big(ask, ask.values["above"])]


def _fragment_breaks(ask: Ask) -> list[Flow]:
    """Reliable writers may resend in smaller pieces."""
    return [f.flow for f in _big(ask, FIRST_FRAGMENT + OVERHEAD) if not _reliable(f)]


def _fragment_touches(ask: Ask) -> Iterable[Flow]:
    return [f.flow for f in _big(ask, FIRST_FRAGMENT - OVERHEAD) if f.flow not in set(_fragment_breaks(ask))]


def _open_links(ask: Ask) -> set[str]:
    """The links of the machine that another one can join: radio, or a switch."""
    return {
        link.name
        for link in ask.site.links_of(ask.subject)
        if link.kind is LinkKind.WIFI or len(link.joins) > 2
    }


def _cloned_flows(ask: Ask) -> list[Flow]:
    open_links = _open_links(ask)
    return [
        f.flow
        for f in ask.flows()
        if (f.writer in ask.participants()) != (f.reader in ask.participants())
        and all(way[-1].link in open_links or way[0].link in open_links for way in forth(ask, f))
    ]


def _clone(plan: Plan, ask: Ask) -> None:
    """Another machine comes up with the machine's addresses, and says so again and again."""
    one, open_links = plan.machines[ask.subject], _open_links(ask)
    if not open_links:
        raise unfit(ask, "the machine is on no link that others can join", "a machine on Wi-Fi or a switch")
    guest = MachineSpec(f"{ask.subject}-twin", {}, dict(one.mtus), list(one.routes), captured=False)
    plan.machines[guest.name] = guest
    for name in sorted(open_links):
        interface = next(i for m, i in plan.links[name].joins if m == ask.subject)
        plan.links[name].joins.append((guest.name, interface))
        guest.interfaces[interface] = list(one.interfaces[interface])
        for said in one.interfaces[interface]:
            claim = Claim(guest.name, interface, str(ip_interface(said).ip))
            plan.events.append(Event(ask.at_s or 0.0, claim))


EVERYTHING, UDP = Rule(), Rule(udp=True)
MULTICAST, UNICAST = Rule(cast="multicast", udp=True), Rule(cast="unicast", udp=True)

KINDS = (
    Kind(
        "foreign-subnet",
        Subject.MACHINE,
        "the machine comes up with addresses of another subnet",
        ("no-route",),
        _foreign,
        flows_of_participants,
        keys=(Key("address", "", lambda text: str(ip_interface(text)), "address/length instead of 10.99.n"),),
    ),
    Kind(
        "cut",
        Subject.ON_LINK,
        "the link, or the machine's end of it, is unplugged for a while",
        ("link-down",),
        _cut,
        _felt_by_cut,
        flows_meeting,
        keys=(Key("for", "", seconds, "how long; left out: for good"),),
        at_s=4.0,
        timed=True,
    ),
    Kind(
        "isolated",
        Subject.ON_LINK,
        "nothing at all passes (client isolation)",
        ("path-blocked", "multicast-blocked"),
        lambda plan, ask: put(plan, ask, EVERYTHING),
        flows_meeting,
        timed=True,
    ),
    Kind(
        "multicast-dropped",
        Subject.PLACE,
        "multicast does not pass; one way only, it heals by unicast answers",
        ("multicast-blocked",),
        lambda plan, ask: block(plan, ask, MULTICAST),
        _multicast_breaks,
        keys=(WAY,),
    ),
    Kind(
        "unicast-dropped",
        Subject.ON_LINK,
        "unicast UDP does not pass, multicast does",
        ("unicast-blocked",),
        lambda plan, ask: put(plan, ask, UNICAST),
        flows_meeting,
        timed=True,
    ),
    Kind(
        "one-way",
        Subject.LINK_END,
        "UDP passes in one direction only: not to the machine, or not from it",
        ("one-way",),
        lambda plan, ask: put(plan, ask, UDP),
        flows_meeting,
        keys=(replace(WAY, default="to", read=one_of("to", "from"), says="the way that is lost"),),
        timed=True,
    ),
    Kind(
        "ports-closed",
        Subject.MACHINE,
        "the machine's own firewall drops unicast UDP to a range of ports",
        ("one-way", "unicast-blocked"),
        _ports_closed,
        _all_ports,
        flows_of_participants,
        keys=(
            Key("first", "1024", whole, "the first port"),
            Key("last", "65535", whole, "the last port"),
        ),
    ),
    Kind(
        "ttl",
        Subject.SITE,
        "multicast may go one hop only, others are beyond a router",
        ("ttl-spent",),
        _needs_router,
        _beyond_a_router,
    ),
    Kind(
        "small-mtu",
        Subject.ON_LINK,
        "packets above a size vanish, fragmented or not",
        ("mtu-hole",),
        lambda plan, ask: put(plan, ask, Rule(above_bytes=ask.values["above"])),
        _small_mtu_breaks,
        flows_meeting,
        keys=(Key("above", "1200B", octets, "the greatest packet that passes"), WAY),
    ),
    Kind(
        "fragments-dropped",
        Subject.ON_LINK,
        "big datagrams are lost: their IP fragments do not pass",
        ("fragments-blocked",),
        lambda plan, ask: put(plan, ask, Rule(fragments=ask.values["which"])),
        _fragment_breaks,
        _fragment_touches,
        keys=(Key("which", "any", one_of("any", "rest"), "any fragment, or all but the first"), WAY),
    ),
    Kind(
        "cloned-address",
        Subject.MACHINE,
        "another machine uses the same address",
        ("duplicate-address",),
        _clone,
        _cloned_flows,
        at_s=2.5,
        timed=True,
    ),
)
