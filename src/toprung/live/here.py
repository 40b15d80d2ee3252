"""Which machine of a site we stand on: the one that declares an address of ours."""

from __future__ import annotations

import fcntl
import socket
import struct
from collections.abc import Collection
from contextlib import suppress
from ipaddress import IPv6Address
from pathlib import Path

from toprung.live.probing.sockets import nics
from toprung.model.site import Site

GET_NETMASK = 0x891B  # SIOCGIFNETMASK, netdevice(7)


def own_addresses() -> frozenset[str]:
    """Addresses of this computer's interfaces, loopback excepted."""
    found = {nic.address for nic in nics() if not nic.address.startswith("127.")}
    with suppress(OSError):
        for line in Path("/proc/net/if_inet6").read_text().splitlines():
            found.add(str(IPv6Address(int(line.split()[0], 16))))
    return frozenset(found - {"::1"})


def networks_on(interfaces: Collection[str]) -> tuple[str, ...]:
    """IPv4 addresses of interfaces with the lengths of their networks: "10.77.2.21/24"."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for nic in nics():
            if nic.interface in interfaces:
                answer = fcntl.ioctl(asking, GET_NETMASK, struct.pack("16s24x", nic.interface.encode()))
                length = int.from_bytes(answer[20:24], "big").bit_count()
                found.append(f"{nic.address}/{length}")
    return tuple(found)


def machine_here(site: Site) -> str | None:
    """The site's machine with one of our addresses; None where there is none, or more than one."""
    mine = own_addresses()
    names = [machine.name for machine in site.machines if machine.hosts & mine]
    return names[0] if len(names) == 1 else None
