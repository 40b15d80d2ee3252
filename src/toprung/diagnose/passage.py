"""Passage: what one machine sent towards another, and what of it came there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import reduce
from ipaddress import IPv4Network, IPv6Network, ip_address

from toprung.diagnose.scene import Scene
from toprung.model.picture import Stream, Tally
from toprung.model.site import Machine, Pass

Network = IPv4Network | IPv6Network


@dataclass(frozen=True, slots=True)
class Passage:
    """RTPS datagrams of one machine (or of some of its participants) towards another machine.

    `sent_*` counts what any capture but the receiver's shows leaving, `arrived_*` what the receiver's own
    shows coming in.  None: nothing.
    """

    sender: str
    receiver: str
    sent_unicast: Tally | None
    sent_multicast: Tally | None
    arrived_unicast: Tally | None
    arrived_multicast: Tally | None
    seen_leaving: bool  # the sender's machine was captured
    seen_coming: bool  # the receiver's machine was captured

    @property
    def arrived(self) -> bool:
        return self.arrived_unicast is not None or self.arrived_multicast is not None


def passage(scene: Scene, sender: str, receiver: str, senders: frozenset[int] | None = None) -> Passage:
    """What went from one machine to another; `senders` narrows it to some participants."""
    return scene.once(
        ("passage", sender, receiver, senders), lambda: _passage(scene, sender, receiver, senders)
    )


def _passage(scene: Scene, sender: str, receiver: str, senders: frozenset[int] | None) -> Passage:
    out, into = scene.views_at(sender), scene.views_at(receiver)
    targets = scene.hosts(receiver)
    on_shared_link = shared_hosts(scene, sender, receiver)
    leaving: dict[bool, list[Stream]] = {False: [], True: []}
    coming: dict[bool, list[Stream]] = {False: [], True: []}
    for stream in scene.streams_of(scene.population(sender) if senders is None else senders):
        if not stream.multicast and stream.destination not in targets:
            continue
        if stream.view in into:
            if stream.outgoing is not True:
                coming[stream.multicast].append(stream)
        elif not stream.multicast or on_shared_link is None or stream.source in on_shared_link:
            leaving[stream.multicast].append(stream)
    return Passage(
        sender,
        receiver,
        sent_unicast=total(leaving[False]),
        sent_multicast=total(leaving[True]),
        arrived_unicast=total(coming[False]),
        arrived_multicast=total(coming[True]),
        seen_leaving=bool(out),
        seen_coming=bool(into),
    )


def total(streams: Iterable[Stream]) -> Tally | None:
    """All datagrams of these streams as one tally."""
    return reduce(joined, (t for s in streams for t in (s.discovery, s.data) if t), None)


def joined(one: Tally | None, other: Tally | None) -> Tally | None:
    """Two tallies as one."""
    if one is None or other is None:
        return one or other
    return Tally(
        one.count + other.count,
        one.bytes + other.bytes,
        min(one.first, other.first),
        max(one.last, other.last),
    )


# how machines are joined, as the site declares it


def networks(machine: Machine) -> frozenset[Network]:
    """The subnets that the machine's interfaces are in."""
    return frozenset(a.network for i in machine.interfaces for a in i.addresses)


def shared_hosts(scene: Scene, sender: str, receiver: str) -> frozenset[str] | None:
    """The sender's addresses on a link (or subnet) that it shares with the receiver.

    None where the site does not say, or where a router has to forward: then any may be the right one.
    """
    here, there = scene.site.machine(sender), scene.site.machine(receiver)
    joints = {j for link in _shared_links(scene, sender, receiver) for j in link if j[0] == sender}
    named = {h for i in here.interfaces if (sender, i.name) in joints for h in i.hosts}
    near = {str(a.ip) for i in here.interfaces for a in i.addresses if a.network in networks(there)}
    return frozenset(named | near) or None


def _shared_links(scene: Scene, one: str, other: str) -> list[frozenset[tuple[str, str]]]:
    joins = [frozenset((j.machine, j.interface) for j in link.joins) for link in scene.site.links]
    return [j for j in joins if {one, other} <= {machine for machine, _ in j}]


def link_between(scene: Scene, one: str, other: str) -> str | None:
    """The name of a link that joins both machines."""
    for link in scene.site.links:
        if {one, other} <= {j.machine for j in link.joins}:
            return link.name
    return None


def reachable(scene: Scene, machine: str, address: str) -> bool | None:
    """Whether the site gives that machine a way to the address; None where the site does not say."""
    return _in(address, reach(scene, machine, Pass.UNICAST))


def _in(address: str, reached: frozenset[Network]) -> bool | None:
    if not reached:
        return None
    ip = ip_address(address.partition("%")[0])
    return any(ip in network for network in reached if network.version == ip.version)


def reach(scene: Scene, machine: str, what: Pass) -> frozenset[Network]:
    """All subnets that datagrams of the machine come to, over the routers that forward them."""

    def spread() -> frozenset[Network]:
        reached = networks(scene.site.machine(machine))
        routers = [m for m in scene.site.machines if what in m.forwards]
        while True:
            more = frozenset(n for r in routers if networks(r) & reached for n in networks(r)) | reached
            if more == reached:
                return reached
            reached = more

    return scene.once(("reach", machine, what), spread)
