"""Static routes of a site's machines: to every subnet that forwarding machines make reachable."""

from __future__ import annotations

from ipaddress import IPv4Network, IPv6Network

from toprung.model.site import Address, Interface, Joint, Pass, Site

Network = IPv4Network | IPv6Network


def routes_of(site: Site) -> dict[str, list[tuple[str, str]]]:
    """Per machine: (subnet, address of the next hop) for subnets that are not its own.

    Fewest hops first; among equals, the order of the site file.  Only machines that forward unicast pass
    anything on.
    """
    return {m.name: _from(site, m.name) for m in site.machines}


def _from(site: Site, start: str) -> list[tuple[str, str]]:
    own = _networks(site, start)
    found: dict[Network, str] = {}
    seen, front = {start}, [(start, "")]
    while front:
        following: list[tuple[str, str]] = []
        for here, via in front:
            for router, address in _routers_beside(site, here):
                if router in seen:
                    continue
                seen.add(router)
                hop = via or address
                following.append((router, hop))
                for network in _networks(site, router):
                    if network not in own:
                        found.setdefault(network, hop)
        front = following
    return [(str(network), via) for network, via in found.items()]


def _routers_beside(site: Site, machine: str) -> list[tuple[str, str]]:
    """Forwarding machines on a link and in a subnet with this one, by the address to send to."""
    found = []
    for link in site.links_of(machine):
        mine = [a for j in link.joins if j.machine == machine for a in _addresses(site, j)]
        for joint in link.joins:
            if joint.machine == machine or Pass.UNICAST not in site.machine(joint.machine).forwards:
                continue
            found += [
                (joint.machine, str(a.ip))
                for a in _addresses(site, joint)
                if any(a.network == m.network for m in mine)
            ]
    return found


def _addresses(site: Site, joint: Joint) -> tuple[Address, ...]:
    interfaces: tuple[Interface, ...] = site.machine(joint.machine).interfaces
    return next((i.addresses for i in interfaces if i.name == joint.interface), ())


def _networks(site: Site, machine: str) -> list[Network]:
    return [a.network for i in site.machine(machine).interfaces for a in i.addresses]
