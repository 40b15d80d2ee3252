"""Locator_t, the 24 bytes that say where something can be reached (DDSI-RTPS 2.5, 9.3.2 and 9.4.2.10)."""

from __future__ import annotations

from enum import IntEnum
from functools import lru_cache
from ipaddress import IPv4Address, IPv6Address
from struct import Struct

from toprung.model.picture import Locator

LOCATOR_BYTES = 24


class Kind(IntEnum):
    """Locator kinds; the standard's, and below them those that deployed libraries have added."""

    INVALID = -1
    RESERVED = 0
    UDP4 = 1
    UDP6 = 2
    TCP4 = 4
    TCP6 = 8
    SHARED_MEMORY = 16


_STRUCTS = (Struct(">iI16s"), Struct("<iI16s"))  # [little]
_IPV4 = (Kind.UDP4, Kind.TCP4)
_IPV6 = (Kind.UDP6, Kind.TCP6)


@lru_cache(maxsize=4096)
def read_locator(body: bytes, little: bool) -> Locator:
    """The locator in exactly 24 bytes.

    IPv4 addresses come from the last four bytes; the twelve before them, which should be zero, are
    dropped.  The address of a kind that is not IP is its 16 bytes in hexadecimal.
    """
    kind, port, raw = _STRUCTS[little].unpack(body)
    if kind in _IPV4:
        address = str(IPv4Address(raw[12:]))
    elif kind in _IPV6:
        address = str(IPv6Address(raw))
    else:
        address = raw.hex()
    return Locator(kind, address, port)


def write_locator(locator: Locator, little: bool) -> bytes:
    """The 24 bytes of a locator."""
    if locator.kind in _IPV4:
        raw = bytes(12) + IPv4Address(locator.address).packed
    elif locator.kind in _IPV6:
        raw = IPv6Address(locator.address).packed
    else:
        raw = bytes.fromhex(locator.address)
    return _STRUCTS[little].pack(locator.kind, locator.port, raw)
