"""A machine's network as its plan says: addresses, routes, what it forwards, its firewall."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import ip_interface

from toprung.errors import RehearseError
from toprung.rehearse.machines import Machine
from toprung.rehearse.specs import LinkSpec, MachineSpec, Plan

LOOPBACK = "lo"
LONGEST_NAME = 15  # octets of an interface's name: IFNAMSIZ of linux/if.h, less its end
_QUEUE = 10_000  # frames that an interface holds until the links take them
_SYSTEM = "/proc/sys/net"


def links_of(plan: Plan) -> list[LinkSpec]:
    """The plan's links, and one with a single end for every interface that no link joins."""
    links = list(plan.links.values())
    joined = {join for link in links for join in link.joins}
    for machine in plan.machines.values():
        spare = [i for i in machine.interfaces if (machine.name, i) not in joined and i != LOOPBACK]
        if not machine.joined:
            continue
        links += [LinkSpec(f"{machine.name}.{i}", [(machine.name, i)]) for i in spare]
    return links


def check_links(links: list[LinkSpec]) -> None:
    """Raises RehearseError where Linux cannot have such interfaces."""
    joined: set[tuple[str, str]] = set()
    for link in links:
        for machine, interface in link.joins:
            where = f"{machine}.{interface}"
            if not _is_interface(interface):
                right = f"a name of up to {LONGEST_NAME} characters, other than {LOOPBACK}, would be right"
                raise RehearseError("no link can have an interface of this name", where, right)
            if (machine, interface) in joined:
                raise RehearseError(
                    "two links join this interface", where, "an interface each would be right"
                )
            joined.add((machine, interface))


def _is_interface(name: str) -> bool:
    fits = len(name.encode()) <= LONGEST_NAME and not any(c in "/:" or c.isspace() for c in name)
    return fits and name not in ("", ".", "..", LOOPBACK, "all", "default")


def configure(machine: Machine, spec: MachineSpec, present: set[str]) -> None:
    """Set a machine up.  present: those of its interfaces that are there."""
    interfaces = {name: addresses for name, addresses in spec.interfaces.items() if name in present}
    machine.clock_s = spec.clock_s
    machine.addresses = {
        name: str(ip_interface(addresses[0]).ip) for name, addresses in interfaces.items() if addresses
    }
    machine.run("sh", "-e", "-s", text="\n".join(_settings(spec, interfaces)) + "\n")
    machine.run("ip", "-batch", "-", text="\n".join(_orders(spec, interfaces)) + "\n")
    if spec.filters:
        machine.nft(*spec.filters)


def _settings(spec: MachineSpec, interfaces: dict[str, list[str]]) -> Iterator[str]:
    """Lines of a shell that set what the kernel does."""
    yield f"echo {int('unicast' in spec.forwards)} > {_SYSTEM}/ipv4/ip_forward"
    for name, addresses in interfaces.items():
        yield f"echo 0 > {_SYSTEM}/ipv4/conf/{name}/rp_filter"
        if not any(":" in address for address in addresses):
            yield f"[ ! -d {_SYSTEM}/ipv6 ] || echo 1 > {_SYSTEM}/ipv6/conf/{name}/disable_ipv6"


def _orders(spec: MachineSpec, interfaces: dict[str, list[str]]) -> Iterator[str]:
    """Lines of ip(8)."""
    for name, addresses in interfaces.items():
        mtu = f" mtu {spec.mtus[name]}" if name in spec.mtus else ""
        for address in addresses:
            yield f"addr add {address} {'nodad' if ':' in address else 'brd +'} dev {name}"
        yield f"link set {name} txqueuelen {_QUEUE}{mtu} up"
    for subnet, hop in spec.routes:
        yield f"route add {subnet} via {hop}"
