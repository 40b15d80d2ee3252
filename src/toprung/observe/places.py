"""Which machine an address, a view and a participant belong to."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from toprung.model.picture import Participant, Picture
from toprung.model.site import Site
from toprung.observe.ownership import is_loopback
from toprung.wire.locators import Kind

IP_KINDS = (Kind.UDP4, Kind.UDP6, Kind.TCP4, Kind.TCP6)


@dataclass(frozen=True, slots=True)
class Places:
    """`hosts`: address -> machine, for addresses that mean one machine only."""

    hosts: dict[str, str]
    views: tuple[str | None, ...]

    def of(self, participant: Participant) -> str | None:
        """The machine that most of its sources name, else that most of its announced addresses do."""
        for addresses in (participant.sources, announced_addresses(participant)):
            votes = Counter(self.hosts[a] for a in addresses if a in self.hosts)
            if votes:
                return votes.most_common(1)[0][0]
        return None

    def by_machine(self) -> dict[str, frozenset[str]]:
        """Machine -> its addresses."""
        found: dict[str, set[str]] = defaultdict(set)
        for address, machine in self.hosts.items():
            found[machine].add(address)
        return {machine: frozenset(addresses) for machine, addresses in found.items()}


def announced_addresses(participant: Participant) -> tuple[str, ...]:
    """Unicast IP addresses that a participant announces."""
    locators = (*participant.metatraffic_unicast, *participant.default_unicast)
    return tuple(
        dict.fromkeys(x.address for x in locators if x.kind in IP_KINDS and not is_loopback(x.address))
    )


def places_of(site: Site | None, picture: Picture) -> Places:
    """Declared addresses first; then what the views' labels, and participants of several addresses, tell."""
    hosts = _declared(site)
    views = tuple(_view_machine(site, picture, v, hosts) for v in range(len(picture.views)))
    for view, machine in zip(picture.views, views, strict=True):
        if machine is not None:
            for address in view.own_addresses:
                hosts.setdefault(address, machine)
    for address, machines in _by_association(picture, hosts).items():
        if len(machines) == 1:
            hosts.setdefault(address, next(iter(machines)))
    return Places(hosts, views)


def _declared(site: Site | None) -> dict[str, str]:
    machines: dict[str, set[str]] = defaultdict(set)
    for machine in site.machines if site else ():
        for host in machine.hosts:
            machines[host].add(machine.name)
    return {host: next(iter(names)) for host, names in machines.items() if len(names) == 1}


def _view_machine(site: Site | None, picture: Picture, view: int, hosts: dict[str, str]) -> str | None:
    """The label, where it is a machine's name (or there is no site); else by its own addresses."""
    seen = picture.views[view]
    names = {m.name for m in site.machines} if site else None
    if seen.machine is not None and (names is None or seen.machine in names):
        return seen.machine
    votes = Counter(hosts[a] for a in seen.own_addresses if a in hosts)
    return votes.most_common(1)[0][0] if votes else seen.machine


def _by_association(picture: Picture, hosts: dict[str, str]) -> dict[str, set[str]]:
    """Unknown addresses of participants that also use or announce a known one."""
    found: dict[str, set[str]] = defaultdict(set)
    for participant in picture.participants:
        addresses = {*participant.sources, *announced_addresses(participant)}
        if participant.serves:
            continue  # what it passes on comes from elsewhere
        machines = {hosts[a] for a in participant.sources if a in hosts} or {
            hosts[a] for a in addresses if a in hosts
        }
        if len(machines) == 1:
            for address in _unknown(addresses, hosts):
                found[address] |= machines
    return found


def _unknown(addresses: Iterable[str], hosts: dict[str, str]) -> Iterator[str]:
    return (a for a in addresses if a not in hosts and not is_loopback(a))
