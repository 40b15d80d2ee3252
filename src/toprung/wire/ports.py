"""Which UDP ports a domain uses, and which domain a port belongs to (DDSI-RTPS 2.5, 9.6.2.3).

Libraries may listen elsewhere and announce it: a port that reads back is a hint, an announced one is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

PORT_BASE = 7400
DOMAIN_GAIN = 250
PARTICIPANT_GAIN = 2
LAST_PORT = 65535
LAST_DOMAIN = (LAST_PORT - PORT_BASE) // DOMAIN_GAIN  # 232
LAST_INDEX = 119  # one more, and the user unicast port is in the next domain's block


class PortKind(StrEnum):
    """What a port is for."""

    DISCOVERY_MULTICAST = "discovery multicast"
    USER_MULTICAST = "user multicast"
    DISCOVERY_UNICAST = "discovery unicast"
    USER_UNICAST = "user unicast"


OFFSETS = {  # d0 to d3
    PortKind.DISCOVERY_MULTICAST: 0,
    PortKind.DISCOVERY_UNICAST: 10,
    PortKind.USER_MULTICAST: 1,
    PortKind.USER_UNICAST: 11,
}
_UNICAST = (PortKind.DISCOVERY_UNICAST, PortKind.USER_UNICAST)
_MULTICAST = (PortKind.DISCOVERY_MULTICAST, PortKind.USER_MULTICAST)


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a port would mean: `index` is the participant's in its machine; None for multicast."""

    domain: int
    kind: PortKind
    index: int | None


@dataclass(frozen=True, slots=True)
class Ephemeral:
    """Ports that an operating system hands out to anybody, first and last."""

    name: str
    first: int
    last: int


LINUX = Ephemeral("Linux", 32768, 60999)  # ip_local_port_range's default, kernel documentation ip-sysctl
DYNAMIC = Ephemeral("IANA dynamic (Windows, macOS)", 49152, 65535)  # RFC 6335, section 6


def port(domain: int, kind: PortKind, index: int = 0) -> int:
    """The port of a domain, and for unicast of a participant index.  May exceed LAST_PORT."""
    gain = PARTICIPANT_GAIN * index if kind in _UNICAST else 0
    return PORT_BASE + DOMAIN_GAIN * domain + OFFSETS[kind] + gain


def ports(domain: int, index: int = 0) -> dict[PortKind, int]:
    """All four ports of one participant."""
    return {kind: port(domain, kind, index) for kind in PortKind}


def last_index(domain: int) -> int:
    """The greatest participant index that a domain has room for; -1: none at all."""
    room = LAST_PORT - port(domain, PortKind.USER_UNICAST)
    return max(-1, min(LAST_INDEX, room // PARTICIPANT_GAIN))


def meanings(number: int) -> tuple[Meaning, ...]:
    """What a port can mean, the likeliest first.

    The second one, if there is one, is a participant of the domain below whose index is beyond LAST_INDEX.
    """
    if not PORT_BASE <= number <= LAST_PORT:
        return ()
    domain, rest = divmod(number - PORT_BASE, DOMAIN_GAIN)
    likely = [Meaning(domain, kind, None) for kind in _MULTICAST if rest == OFFSETS[kind]]
    likely += _unicast(domain, rest)
    if domain:
        likely += _unicast(domain - 1, rest + DOMAIN_GAIN)
    return tuple(likely)


def _unicast(domain: int, rest: int) -> list[Meaning]:
    found = []
    for kind in _UNICAST:
        index, odd = divmod(rest - OFFSETS[kind], PARTICIPANT_GAIN)
        if index >= 0 and not odd:
            found.append(Meaning(domain, kind, index))
    return found


def handed_out(domain: int, index: int, system: Ephemeral = LINUX) -> tuple[int, ...]:
    """The participant's ports that the system may have given to another program."""
    return tuple(p for p in ports(domain, index).values() if system.first <= p <= system.last)


def last_clear_index(domain: int, system: Ephemeral = LINUX) -> int:
    """The greatest index up to which no participant's port can be handed out; -1: not even index 0."""
    for index in range(last_index(domain) + 1):
        if handed_out(domain, index, system):
            return index - 1
    return last_index(domain)
