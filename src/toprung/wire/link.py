"""Link types of captures (the tcpdump group's registry), and how each frames IP."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Framing(IntEnum):
    """How a link type says what follows."""

    UNKNOWN = 0
    ETHERNET = 1  # EtherType after two addresses, VLAN tags
    COOKED = 2  # Linux cooked v1
    COOKED2 = 3  # Linux cooked v2
    RAW_IP = 4  # nothing before the IP header
    FAMILY = 5  # an address family of four octets, in the byte order of whoever captured


@dataclass(frozen=True, slots=True)
class LinkType:
    """One link type: its number in captures, how it frames IP, its name."""

    number: int
    framing: Framing
    name: str


LINK_TYPES = {
    link.number: link
    for link in (
        LinkType(0, Framing.FAMILY, "BSD loopback"),
        LinkType(1, Framing.ETHERNET, "Ethernet"),
        LinkType(12, Framing.RAW_IP, "raw IP"),
        LinkType(14, Framing.RAW_IP, "raw IP"),
        LinkType(101, Framing.RAW_IP, "raw IP"),
        LinkType(108, Framing.FAMILY, "loopback"),
        LinkType(113, Framing.COOKED, "Linux cooked v1"),
        LinkType(228, Framing.RAW_IP, "raw IPv4"),
        LinkType(229, Framing.RAW_IP, "raw IPv6"),
        LinkType(276, Framing.COOKED2, "Linux cooked v2"),
    )
}


def framing(number: int) -> Framing:
    """How a link type frames IP; UNKNOWN where this project cannot tell."""
    link = LINK_TYPES.get(number)
    return link.framing if link else Framing.UNKNOWN
