"""Which machine of a site we stand on: the one that declares an address of ours."""

from __future__ import annotations

from contextlib import suppress
from ipaddress import IPv6Address
from pathlib import Path

from toprung.live.probing.sockets import nics
from toprung.model.site import Site


def own_addresses() -> frozenset[str]:
    """Addresses of this computer's interfaces, loopback excepted."""
    found = {nic.address for nic in nics() if not nic.address.startswith("127.")}
    with suppress(OSError):
        for line in Path("/proc/net/if_inet6").read_text().splitlines():
            found.add(str(IPv6Address(int(line.split()[0], 16))))
    return frozenset(found - {"::1"})


def machine_here(site: Site) -> str | None:
    """The site's machine with one of our addresses; None where there is none, or more than one."""
    mine = own_addresses()
    names = [machine.name for machine in site.machines if machine.hosts & mine]
    return names[0] if len(names) == 1 else None
