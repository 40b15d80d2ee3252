"""Reach: who can send to whom, over which links, and how much fits.

Unicast crosses a link between interfaces that share a subnet, and machines that forward unicast; multicast
crosses a link to everybody on it, and machines that forward multicast, as far as its time to live allows
(RFC 1112, section 6.1).  An interface without addresses is taken to share a subnet with its whole link.
Interfaces of one subnet of which a site joins no link are taken to be joined by one (`Reach.assumed`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from toprung.forecast.segments import Segments, Start
from toprung.model.site import Joint, Link, Middleware, Participant, Pass, Site

LOOPBACK_MTU_BYTES = 65536  # of Linux's lo, drivers/net/loopback.c
DEFAULT_MTU_BYTES = 1500  # RFC 894; Wi-Fi and USB adapters come up with the same
MULTICAST_TTL = {Middleware.CYCLONE: 32, Middleware.FAST: 1}  # IP headers of captured announcements
UNKNOWN_TTL = 32


@dataclass(frozen=True, slots=True)
class Hop:
    """One crossing of one link."""

    link: Link
    sender: Joint
    receiver: Joint


@dataclass(frozen=True, slots=True)
class Route:
    """The crossings from one machine to another; none within one machine.

    `source` and `destination` are addresses; "" where the site does not say them, or for multicast.
    """

    hops: tuple[Hop, ...]
    source: str
    destination: str
    mtu_bytes: int  # the least of all interfaces on the way


@dataclass(frozen=True, slots=True)
class Heard:
    """A link that a participant's multicast crosses.

    `sender` puts it there: the participant's own machine, or one that forwards.  `listeners` are all
    participants with an interface on the link, the sender itself included if it has one.
    """

    link: Link
    sender: Joint
    hops: int  # links crossed, this one included
    listeners: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """An address that a participant is told to look for others at."""

    address: str
    port: int | None  # None: the ports of the domain
    machine: str | None  # that has the address; None: no machine of the site
    route: Route | None


class Reach:
    """Answers for one site; worked out when asked, and kept."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._segments = Segments(site)
        self._participants = {p.name: p for p in site.participants}
        self._at = {h: (m.name, i.name) for m in site.machines for i in m.interfaces for h in i.hosts}
        self._mtu = {
            (m.name, i.name): i.mtu_bytes or DEFAULT_MTU_BYTES for m in site.machines for i in m.interfaces
        }
        self._routes: dict[tuple[Start, Joint], Route | None] = {}
        self._listeners: dict[str, tuple[str, ...]] = {}
        self._by_machine: dict[str, list[Participant]] = {}
        for participant in site.participants:
            self._by_machine.setdefault(participant.machine, []).append(participant)

    @property
    def assumed(self) -> tuple[Link, ...]:
        """Links that the site does not declare, one for each subnet with interfaces on no link."""
        return self._segments.assumed

    def is_placed(self, participant: str) -> bool:
        """Whether the site says of any link that the participant can use."""
        return bool(self._segments.joints(self.start(participant)))

    def start(self, participant: str) -> Start:
        """Where a participant sends from: its machine, and its interfaces there."""
        said = self._participants[participant]
        return said.machine, said.interfaces

    def joints(self, participant: str) -> tuple[Joint, ...]:
        """The interfaces of a participant that are on a link."""
        return self._segments.joints(self.start(participant))

    def announced(self, participant: str) -> tuple[str, ...]:
        """The addresses that a participant announces: all of its interfaces'."""
        machine, interfaces = self.start(participant)
        return tuple(
            host
            for interface in self._segments.machines[machine].interfaces
            if interfaces is None or interface.name in interfaces
            for host in interface.hosts
        )

    def unreachable(self, sender: str, receiver: str) -> tuple[str, ...]:
        """Announced addresses of the receiver to which the sender has no route."""
        start = self.start(sender)
        if start[0] == self.start(receiver)[0]:
            return ()
        hosts = self.announced(receiver)
        return tuple(h for h in hosts if self._to(start, Joint(*self._at[h])) is None)

    def unicast(self, sender: str, receiver: str) -> Route | None:
        """The route by which one participant sends to another: fewest hops, then the file's order."""
        return self._between(self.start(sender), self.start(receiver))

    def routes(self, sender: str, receiver: str) -> tuple[Route, ...]:
        """One route for each announced address of the receiver that the sender reaches; none within one
        machine.  Where the site says no address, the one by which they meet all the same.
        """
        start, goal = self.start(sender), self.start(receiver)
        if start[0] == goal[0]:
            return ()
        found = ((self._to(start, Joint(*self._at[h])), h) for h in self.announced(receiver))
        known = tuple(replace(route, destination=host) for route, host in found if route is not None)
        nearest = None if known else self.unicast(sender, receiver)
        return known if nearest is None else (nearest,)

    def machines(self, sender: str, receiver: str) -> Route | None:
        """The unicast route between two machines."""
        return self._between((sender, None), (receiver, None))

    def multicast(self, sender: str, receiver: str, *, ttl: int | None = None) -> Route | None:
        """The way of a participant's multicast to another; `ttl` stands for the sender's middleware's."""
        start, goal = self.start(sender), self.start(receiver)
        if start[0] == goal[0]:
            return LOOPBACK if _share_interface(start[1], goal[1]) else None
        most = self.ttl(sender) if ttl is None else ttl
        flood = self._segments.flood(start, Pass.MULTICAST)
        ends = [
            (flood[link.name].hops, joint, link)
            for joint, link in self._segments.links(goal)
            if link.name in flood and flood[link.name].hops <= most
        ]
        if not ends:
            return None
        _, joint, link = min(ends, key=lambda end: end[0])
        return self._route(tuple(Hop(*hop) for hop in self._segments.way(flood, link, joint)), "", "")

    def audience(self, sender: str) -> tuple[Heard, ...]:
        """Every link that a participant's multicast crosses, and who listens there."""
        most = self.ttl(sender)
        return tuple(
            Heard(part.link, part.sender, part.hops, self.listeners(part.link))
            for part in self._segments.flood(self.start(sender), Pass.MULTICAST).values()
            if part.hops <= most
        )

    def listeners(self, link: Link) -> tuple[str, ...]:
        """All participants with an interface on the link, in the order of its ends."""
        if link.name not in self._listeners:
            found = {
                participant.name: None
                for joint in link.joins
                for participant in self._by_machine.get(joint.machine, ())
                if participant.interfaces is None or joint.interface in participant.interfaces
            }
            self._listeners[link.name] = tuple(found)
        return self._listeners[link.name]

    def ttl(self, participant: str) -> int:
        """How many links the participant's multicast may cross."""
        middleware = self._participants[participant].middleware
        return UNKNOWN_TTL if middleware is None else MULTICAST_TTL.get(middleware, UNKNOWN_TTL)

    def asks(self, participant: str) -> tuple[Asked, ...]:
        """The peers and the server that a participant is told to look for others at."""
        discovery = self._participants[participant].discovery
        if discovery is None:
            return ()
        places: list[tuple[str, int | None]] = [(peer, None) for peer in discovery.peers]
        if discovery.server is not None:
            places.append(discovery.server)
        return tuple(self._asked(participant, address, port) for address, port in places)

    def _asked(self, participant: str, address: str, port: int | None) -> Asked:
        at = self._at.get(address)
        if at is None:
            return Asked(address, port, None, None)
        start = self.start(participant)
        route = LOOPBACK if at[0] == start[0] else self._to(start, Joint(*at))
        return Asked(address, port, at[0], route)

    def _between(self, start: Start, goal: Start) -> Route | None:
        if start[0] == goal[0]:
            return LOOPBACK
        routes = (self._to(start, joint) for joint in self._segments.joints(goal))
        return min((r for r in routes if r), key=lambda r: len(r.hops), default=None)

    def _to(self, start: Start, goal: Joint) -> Route | None:
        key = start, goal
        if key not in self._routes:
            hops = self._segments.hops(start, goal)
            self._routes[key] = self._addressed(tuple(Hop(*hop) for hop in hops), goal) if hops else None
        return self._routes[key]

    def _addressed(self, hops: tuple[Hop, ...], goal: Joint) -> Route:
        first, last = hops[0], hops[-1]
        source, _ = self._segments.addresses(first.sender, first.receiver)
        _, destination = self._segments.addresses(last.sender if last.receiver == goal else goal, goal)
        return self._route(hops, source, destination)

    def _route(self, hops: tuple[Hop, ...], source: str, destination: str) -> Route:
        ends = (joint for hop in hops for joint in (hop.sender, hop.receiver))
        return Route(hops, source, destination, min(self._mtu[j.machine, j.interface] for j in ends))


LOOPBACK = Route((), "127.0.0.1", "127.0.0.1", LOOPBACK_MTU_BYTES)


def reach_of(site: Site) -> Reach:
    """The reach of a site."""
    return Reach(site)


def _share_interface(one: tuple[str, ...] | None, other: tuple[str, ...] | None) -> bool:
    """Whether two participants of one machine hear each other's looped multicast."""
    return one is None or other is None or bool(set(one) & set(other))
