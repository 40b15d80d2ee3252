"""A site drafted from a picture: what was there, written down as if somebody had declared it.

Machines are sets of addresses that one participant sends from or announces; links are subnets that two or
more of them share.  Prefix lengths do not show on the wire: /24 and /64 are taken.  The kind of a link
does not show either: ethernet is taken.  Rates are rounded down, limits (`within`, `loss`) are left open.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from ipaddress import ip_address, ip_interface
from re import sub

from toprung.model.picture import Locator, Participant, Picture
from toprung.model.site import (
    Address,
    Discovery,
    DiscoveryMode,
    Interface,
    Joint,
    Link,
    LinkKind,
    Machine,
    Middleware,
    Site,
)
from toprung.model.site import Participant as Declared
from toprung.observe.drafting_topics import draft_topics, naming_of
from toprung.wire.vendors import CYCLONE, FAST

PREFIX_LENGTH = {4: 24, 6: 64}
_IP_KINDS = (1, 2)  # DDSI-RTPS 2.5, 9.3.2.3: LOCATOR_KIND_UDPv4, LOCATOR_KIND_UDPv6
_MIDDLEWARE = {CYCLONE: Middleware.CYCLONE, FAST: Middleware.FAST}


@dataclass(frozen=True, slots=True)
class Drafted:
    """The site, and which participants of the picture each declared one stands for."""

    site: Site
    names: dict[int, str]  # index in Picture.participants -> name in the site


def draft(picture: Picture, name: str = "drafted") -> Site:
    """A site that this picture fits.  Of several domains, the one with most participants is written."""
    return drafted(picture, name).site


def drafted(picture: Picture, name: str = "drafted") -> Drafted:
    """The same, with who became whom."""
    domain = _domain(picture.participants)
    chosen = [
        i
        for i, p in enumerate(picture.participants)
        if not p.serves and p.domain in (domain, None) and _hosts(p)
    ]
    homes = _homes(picture, chosen)
    machines = {home: _machine_name(picture, home) for home in dict.fromkeys(homes.values())}
    names = _names(picture, chosen, homes, machines)
    declared = {names[i]: _participant(picture, i, names[i], machines[homes[i]]) for i in chosen}
    nouns = tuple(_machine(machines[home], home) for home in machines)
    naming = naming_of(picture)
    topics, services = draft_topics(picture, names, naming)
    site = Site(
        name=name,
        domain=domain or 0,
        naming=naming,
        machines=nouns,
        links=links_by_subnet(nouns),
        participants=tuple(declared.values()),
        topics=topics,
        services=services,
    )
    return Drafted(site, names)


def _domain(participants: Iterable[Participant]) -> int | None:
    counted = Counter(p.domain for p in participants if p.domain is not None and not p.serves)
    return min((d for d, n in counted.items() if n == max(counted.values())), default=None)


def _hosts(p: Participant) -> frozenset[str]:
    """The addresses that it sends from; where none was seen, those that it announces."""
    return frozenset(filter(_usable, p.sources)) or _announced(p)


def _announced(p: Participant) -> frozenset[str]:
    locators: tuple[Locator, ...] = (*p.default_unicast, *p.metatraffic_unicast)
    return frozenset(x.address for x in locators if x.kind in _IP_KINDS and _usable(x.address))


def _usable(host: str) -> bool:
    try:
        address = ip_address(host)
    except ValueError:
        return False
    return not (address.is_loopback or address.is_multicast or address.is_unspecified)


@dataclass(slots=True)
class _Home:
    """A machine while its participants are being gathered."""

    members: set[int]
    hosts: set[str]  # sent from
    announced: set[str]

    def shares_with(self, other: _Home) -> bool:
        mutual = self.announced & other.hosts and other.announced & self.hosts
        return bool(self.hosts & other.hosts or mutual)

    def take_in(self, other: _Home) -> None:
        self.members |= other.members
        self.hosts |= other.hosts
        self.announced |= other.announced


def _homes(picture: Picture, chosen: Sequence[int]) -> dict[int, frozenset[str]]:
    """Each participant's machine, as the set of its addresses.

    Who sends from an address that another one sends from is on the same machine, and so are two that each
    announce an address that the other sends from.  An address that two machines announce and neither sends
    from (a private bridge on each) belongs to nobody.
    """
    groups: list[_Home] = []
    for i in chosen:
        participant = picture.participants[i]
        home = _Home({i}, set(_hosts(participant)), set(_announced(participant)))
        for other in [g for g in groups if g.shares_with(home)]:
            home.take_in(other)
            groups.remove(other)
        groups.append(home)
    claims = Counter(host for home in groups for host in home.hosts | home.announced)
    homes: dict[int, frozenset[str]] = {}
    for home in groups:
        own = {host for host in home.announced if claims[host] == 1}
        homes |= dict.fromkeys(home.members, frozenset(home.hosts | own))
    return homes


def _machine_name(picture: Picture, home: frozenset[str]) -> str:
    """The name that the user gave to a capture taken there, else one made of its first address."""
    for view in picture.views:
        if view.machine is not None and view.own_addresses & home:
            return view.machine
    return "host-" + sub(r"[.:]+", "-", min(home, key=_order))


def _order(host: str) -> tuple[int, int]:
    address = ip_address(host)
    return address.version, int(address)


def _names(
    picture: Picture,
    chosen: Sequence[int],
    homes: dict[int, frozenset[str]],
    machines: dict[frozenset[str], str],
) -> dict[int, str]:
    """A name for each participant; one that was started again keeps the name of its first life."""
    lives: dict[object, list[list[int]]] = defaultdict(list)
    for i in sorted(chosen, key=lambda i: picture.participants[i].first_heard):
        kind = (homes[i], picture.participants[i].vendor, picture.participants[i].name, _topics(picture, i))
        before = next((life for life in lives[kind] if _ended_before(picture, life[-1], i)), None)
        if before is None:
            lives[kind].append([i])
        else:
            before.append(i)
    roles = sorted((life for found in lives.values() for life in found), key=lambda life: life[0])
    announced = Counter(_clean(picture.participants[life[0]].name) for life in roles)
    names: dict[int, str] = {}
    counted: Counter[str] = Counter()
    for life in roles:
        own, machine = _clean(picture.participants[life[0]].name), machines[homes[life[0]]]
        name = own if own and announced[own] == 1 else ""
        while not name or name in names.values():
            counted[machine] += 1
            name = f"{machine}-{counted[machine]}"
        names |= dict.fromkeys(life, name)
    return names


def _topics(picture: Picture, participant: int) -> frozenset[tuple[str, str]]:
    ends = (e for e in picture.endpoints if e.participant == participant and e.topic is not None)
    return frozenset((e.side.value, e.topic or "") for e in ends)


def _ended_before(picture: Picture, one: int, other: int) -> bool:
    return picture.participants[one].last_heard.time_ns < picture.participants[other].first_heard.time_ns


def _clean(name: str) -> str:
    return "".join(c for c in "-".join(name.split()) if c.isprintable())[:60]


def _participant(picture: Picture, i: int, name: str, machine: str) -> Declared:
    seen = picture.participants[i]
    return Declared(name, machine, _MIDDLEWARE.get(seen.vendor), None, _discovery(picture, seen))


def _discovery(picture: Picture, seen: Participant) -> Discovery | None:
    """A participant that only a server described uses that server; other ways are left open."""
    for prefix in seen.relayed_by:
        server = next((p for p in picture.participants if p.prefix == prefix and p.serves), None)
        ways = () if server is None else (x for x in server.metatraffic_unicast if x.kind in _IP_KINDS)
        for locator in ways:
            return Discovery(DiscoveryMode.SERVER, server=(locator.address, locator.port))
    return None


def _machine(name: str, home: frozenset[str]) -> Machine:
    hosts = sorted(home, key=_order)
    return Machine(name, None, tuple(Interface(f"if{n}", (_address(host),)) for n, host in enumerate(hosts)))


def _address(host: str) -> Address:
    return ip_interface(f"{host}/{PREFIX_LENGTH[ip_address(host).version]}")


def links_by_subnet(machines: Sequence[Machine]) -> tuple[Link, ...]:
    """One link for each subnet with two or more machines; a link-local subnet tells nothing."""
    joined: dict[str, list[Joint]] = defaultdict(list)
    for machine in machines:
        for interface in machine.interfaces:
            for address in interface.addresses:
                if not (address.version == 6 and address.is_link_local):
                    joined[str(address.network)].append(Joint(machine.name, interface.name))
    found = [joints for joints in joined.values() if len({j.machine for j in joints}) > 1]
    return tuple(Link(f"net{n}", LinkKind.ETHERNET, tuple(joints)) for n, joints in enumerate(found, 1))
