"""The graph under `toprung.forecast.reach`: interfaces on links, subnets they share, machines that forward.

Every search is breadth first and kept; machines that do not forward are looked at only as ends, so a link
with a thousand of them costs no more than one with two.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network

from toprung.model.site import Interface, Joint, Link, LinkKind, Pass, Site

Start = tuple[str, tuple[str, ...] | None]  # a machine, and the interfaces of it that are used (None: all)
Crossing = tuple[Link, Joint, Joint]  # a link, who sends, who receives
Network = IPv4Network | IPv6Network
Networks = frozenset[int]  # subnets by number
NOWHERE: Networks = frozenset()


@dataclass(frozen=True, slots=True)
class Flooded:
    """A link that multicast reaches: `sender` puts it there, having heard it on `before`."""

    link: Link
    sender: Joint
    hops: int
    before: str | None


class Segments:
    """The site's links as a graph, with the links that are assumed."""

    def __init__(self, site: Site) -> None:
        self.machines = {m.name: m for m in site.machines}
        self._order = {m.name: at for at, m in enumerate(site.machines)}
        numbers: dict[Network, int] = {}
        self._hosts = {
            Joint(m.name, i.name): {
                numbers.setdefault(network, len(numbers)): host for network, host in _hosts(i).items()
            }
            for m in site.machines
            for i in m.interfaces
        }
        self._networks = {joint: frozenset(hosts) for joint, hosts in self._hosts.items()}
        self.assumed = tuple(_assumed(site, self._hosts, list(numbers)))
        self._links: dict[str, list[tuple[Joint, Link]]] = defaultdict(list)  # by machine
        self._ends: dict[tuple[str, str], list[Joint]] = defaultdict(list)  # by link and machine
        self._routers: dict[tuple[str, Pass], list[Joint]] = defaultdict(list)  # by link
        for link in (*site.links, *self.assumed):
            for joint in link.joins:
                self._add(link, joint)
        self._levels: dict[Start, list[dict[str, Crossing]]] = {}
        self._gates: dict[tuple[str, Networks], dict[str, Joint]] = {}
        self._floods: dict[tuple[Start, Pass], dict[str, Flooded]] = {}

    def _add(self, link: Link, joint: Joint) -> None:
        self._links[joint.machine].append((joint, link))
        self._ends[link.name, joint.machine].append(joint)
        for kind in self.machines[joint.machine].forwards:
            self._routers[link.name, kind].append(joint)

    def links(self, start: Start) -> list[tuple[Joint, Link]]:
        """The links of a machine, each with the machine's end, for the interfaces that are used."""
        machine, interfaces = start
        found = self._links.get(machine, [])
        return found if interfaces is None else [f for f in found if f[0].interface in interfaces]

    def joints(self, start: Start) -> tuple[Joint, ...]:
        """The used interfaces that are on a link, each once."""
        return tuple(dict.fromkeys(joint for joint, _ in self.links(start)))

    def addresses(self, one: Joint, other: Joint) -> tuple[str, str]:
        """The addresses by which two ends of a link meet; "" where the site does not say."""
        mine, theirs = self._hosts.get(one, {}), self._hosts.get(other, {})
        shared = next((n for n in mine if n in theirs), None)
        if shared is None:
            return next(iter(mine.values()), ""), next(iter(theirs.values()), "")
        return mine[shared], theirs[shared]

    def meet(self, one: Joint, other: Joint) -> bool:
        """Whether two ends of a link share a subnet, or one of them does not say its own."""
        return _meet(self._networks.get(one, NOWHERE), self._networks.get(other, NOWHERE))

    def hops(self, start: Start, goal: Joint) -> tuple[Crossing, ...] | None:
        """The unicast crossings from a machine to an interface of another; None: no route."""
        direct = self._direct(start, goal)
        return (direct,) if direct else self._through(start, goal)

    def _direct(self, start: Start, goal: Joint) -> Crossing | None:
        for _, link in self.links((goal.machine, (goal.interface,))):
            for joint in self._ends.get((link.name, start[0]), ()):
                if (start[1] is None or joint.interface in start[1]) and self.meet(joint, goal):
                    return link, joint, goal
        return None

    def _through(self, start: Start, goal: Joint) -> tuple[Crossing, ...] | None:
        """By routers: the level of routers that is reached first and has one beside the goal.

        A router takes what is for any of its own addresses, on whichever of its interfaces it comes in.
        """
        ends = self.links((goal.machine, (goal.interface,)))
        gates = [(link, self._gates_of(link, goal)) for _, link in ends]
        if not any(beside for _, beside in gates):
            return None
        for depth, level in enumerate(self._routers_from(start)):
            if goal.machine in level:
                return self._back(start, depth, goal.machine)
            for link, beside in gates:
                near = level.keys() & beside.keys()
                if near:
                    router = min(near, key=self._order.__getitem__)
                    return (*self._back(start, depth, router), (link, beside[router], goal))
        return None

    def _gates_of(self, link: Link, goal: Joint) -> dict[str, Joint]:
        """The routers on a link that share a subnet with an end of it: the same for all of one subnet."""
        networks = self._networks.get(goal, NOWHERE)
        key = link.name, networks
        if key not in self._gates:
            found: dict[str, Joint] = {}
            for joint in self._routers.get((link.name, Pass.UNICAST), ()):
                if _meet(networks, self._networks.get(joint, NOWHERE)):
                    found.setdefault(joint.machine, joint)
            self._gates[key] = found
        return self._gates[key]

    def _routers_from(self, start: Start) -> Iterator[dict[str, Crossing]]:
        """Level by level, the routers that are reached, each with the crossing that reaches it."""
        levels = self._levels.setdefault(start, [])
        depth = 0
        while True:
            if depth == len(levels):
                following = self._next_level(start, levels)
                if not following:
                    return
                levels.append(following)
            yield levels[depth]
            depth += 1

    def _next_level(self, start: Start, levels: list[dict[str, Crossing]]) -> dict[str, Crossing]:
        seen = {start[0]}.union(*levels)
        fronts: list[Start] = [(router, None) for router in levels[-1]] if levels else [start]
        found: dict[str, Crossing] = {}
        looked: set[tuple[str, Networks]] = set()
        for front in fronts:
            for joint, link in self.links(front):
                view = link.name, self._networks.get(joint, NOWHERE)
                if view in looked:
                    continue
                looked.add(view)
                for router in self._routers.get((link.name, Pass.UNICAST), ()):
                    if router.machine not in seen and self.meet(joint, router):
                        found.setdefault(router.machine, (link, joint, router))
        return found

    def _back(self, start: Start, depth: int, router: str) -> tuple[Crossing, ...]:
        crossings = []
        for level in reversed(self._levels[start][: depth + 1]):
            crossing = level[router]
            crossings.append(crossing)
            router = crossing[1].machine
        return tuple(reversed(crossings))

    def flood(self, start: Start, kind: Pass) -> dict[str, Flooded]:
        """Every link that a machine's multicast reaches, nearest first, by name."""
        key = start, kind
        if key not in self._floods:
            found: dict[str, Flooded] = {}
            front = [Flooded(link, joint, 1, None) for joint, link in self.links(start)]
            while front:
                fresh = [f for f in front if found.setdefault(f.link.name, f) is f]
                front = [onward for f in fresh for onward in self._onward(f, start[0], kind, found)]
            self._floods[key] = found
        return self._floods[key]

    def _onward(
        self, heard: Flooded, origin: str, kind: Pass, found: dict[str, Flooded]
    ) -> Iterator[Flooded]:
        for router in self._routers.get((heard.link.name, kind), ()):
            if router.machine in (origin, heard.sender.machine):
                continue
            for joint, link in self._links[router.machine]:
                if link.name not in found:
                    yield Flooded(link, joint, heard.hops + 1, heard.link.name)

    def way(self, flood: dict[str, Flooded], link: Link, goal: Joint) -> tuple[Crossing, ...]:
        """The crossings of a flood to an interface on one of its links."""
        crossings: list[Crossing] = []
        at: Flooded | None = flood[link.name]
        while at is not None:
            crossings.append((at.link, at.sender, goal))
            before = flood[at.before] if at.before is not None else None
            if before is not None:
                goal = self._ends[before.link.name, at.sender.machine][0]
            at = before
        return tuple(reversed(crossings))


def _hosts(interface: Interface) -> dict[Network, str]:
    """The first address of the interface in each of its subnets."""
    hosts: dict[Network, str] = {}
    for address in interface.addresses:
        hosts.setdefault(address.network, str(address.ip))
    return hosts


def _meet(one: Networks, other: Networks) -> bool:
    return not one or not other or not one.isdisjoint(other)


def _assumed(
    site: Site, hosts: Mapping[Joint, Mapping[int, str]], networks: Sequence[Network]
) -> Iterator[Link]:
    joined = {joint for link in site.links for joint in link.joins}
    members: dict[int, list[Joint]] = defaultdict(list)
    for joint, numbers in hosts.items():
        for number in numbers:
            members[number].append(joint)
    groups: dict[tuple[Joint, ...], int] = {}
    for number, joints in members.items():
        groups.setdefault(tuple(joints), number)
    for group, number in groups.items():
        if len(group) > 1 and any(joint not in joined for joint in group):
            yield Link(str(networks[number]), LinkKind.ETHERNET, group)
