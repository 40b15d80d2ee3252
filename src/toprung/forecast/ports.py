"""The UDP ports that each participant will listen on, and what they clash with (DDSI-RTPS 2.5, 9.6.2.3).

A library counts the participants of a domain on one machine and gives each the lowest free index; which
one of them gets which is a matter of who starts first, so the indices here are those of the site file's
order.  Cyclone DDS takes an index only where it looks for others by unicast: otherwise the operating
system picks its unicast ports, and it announces them (both read off captures of Cyclone DDS 11.0.1).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from toprung.model.site import DiscoveryMode, Middleware, Participant, Site
from toprung.wire.ports import LINUX, PortKind, handed_out, last_clear_index, last_index, ports

# How many indices of a machine a library tries that is told to look there: Cyclone DDS 11.0.1 0 to 99 (read
# off captures); Fast DDS 0 to 3 (its documented default of `maxInitialPeersRange`, from memory)
TRIED_INDICES = {Middleware.CYCLONE: 100, Middleware.FAST: 4}
UNKNOWN_TRIED = 4  # the fewer


@dataclass(frozen=True, slots=True)
class Ports:
    """Where one participant listens.  `index` None: the unicast ports are the operating system's pick."""

    participant: str
    index: int | None
    numbers: Mapping[PortKind, int]
    handed_out: tuple[int, ...]  # that Linux may have given to another program by then
    fits: bool  # the index is one that the domain has room for


@dataclass(frozen=True, slots=True)
class DomainRoom:
    """How many participants a domain holds on one machine."""

    domain: int
    most: int  # by the standard's port arithmetic
    clear: int  # without a port from Linux's ephemeral range


def room(domain: int) -> DomainRoom:
    """The room of a domain; `most` is 120 up to domain 231."""
    return DomainRoom(domain, last_index(domain) + 1, last_clear_index(domain, LINUX) + 1)


def ports_of(site: Site) -> dict[str, Ports]:
    """Every participant's ports."""
    taken: Counter[str] = Counter()
    found = {}
    for participant in site.participants:
        index = None
        if takes_index(participant):
            index = taken[participant.machine]
            taken[participant.machine] += 1
        found[participant.name] = _ports(site.domain, participant, index)
    return found


def takes_index(participant: Participant) -> bool:
    """Whether the participant listens on ports of the standard's arithmetic."""
    discovery = participant.discovery
    by_multicast = discovery is None or discovery.mode is DiscoveryMode.MULTICAST
    return not (by_multicast and participant.middleware in (Middleware.CYCLONE, None))


def tried_indices(middleware: Middleware | None) -> int:
    """How many indices of a peer's machine the library tries."""
    return UNKNOWN_TRIED if middleware is None else TRIED_INDICES.get(middleware, UNKNOWN_TRIED)


def _ports(domain: int, participant: Participant, index: int | None) -> Ports:
    numbers = ports(domain, index or 0)
    if index is None:
        multicast = (PortKind.DISCOVERY_MULTICAST, PortKind.USER_MULTICAST)
        numbers = {kind: numbers[kind] for kind in multicast}
    clash = tuple(p for p in handed_out(domain, index or 0) if p in numbers.values())
    return Ports(participant.name, index, numbers, clash, index is None or index <= last_index(domain))
