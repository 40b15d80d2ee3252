"""Rung `path`: can the two machines exchange what this flow needs?"""

from __future__ import annotations

from collections.abc import Callable

from toprung.forecast.reach import Hop
from toprung.forecast.rungs.basis import Basis, Case, both, mode_of
from toprung.model.site import DiscoveryMode
from toprung.model.verdict import HELD, UNSEEN, Verdict, broken

GREATEST_TTL = 255  # of an IP packet (RFC 791, 3.1)
OVERHEAD_BYTES = 28 + 60  # IP and UDP headers, DDSI-RTPS headers around a sample (2.5, 9.4)


def judge_path(basis: Basis, case: Case) -> Verdict:
    """Whether unicast passes both ways, multicast where discovery needs it, at the flow's size."""
    if case.one_machine:
        return HELD
    if not all(end.machine in basis.placed for end in case.ends):
        return UNSEEN
    for check in CHECKS:
        if (verdict := check(basis, case)) is not None:
            return verdict
    return HELD


def _no_route(basis: Basis, case: Case) -> Verdict | None:
    if all(basis.machine_routes(case)):
        return None
    one, other = sorted((case.writer.machine, case.reader.machine))
    return broken(
        "no-route",
        both(one, other),
        f"The site gives {one} and {other} no common subnet, and no machine that forwards between theirs.",
        f"No flow between {one} and {other} can work.",
        (),
        (
            f"Declare and configure a router between the subnets of {one} and {other}, or join "
            "them by a link.",
        ),
    )


def _needs_multicast(case: Case) -> bool:
    return all(mode_of(end) is DiscoveryMode.MULTICAST for end in case.ends)


def _multicast(basis: Basis, case: Case) -> Verdict | None:
    """Both look for others by multicast, and it reaches neither.

    One way is enough: who hears the other answers by unicast (DDSI-RTPS 2.5, 8.5.3.3).
    """
    if not _needs_multicast(case) or _hears(basis, case, None):
        return None
    routers = _routers(basis, case)
    if not routers:
        return None  # one link joins the machines: it is the interfaces, a rung higher
    passers = ", ".join(routers)
    lists = f"Or give {case.writer.name} and {case.reader.name} peers lists or a central discovery server."
    if _hears(basis, case, GREATEST_TTL):
        limits = {end.name: basis.reach.ttl(end.name) for end in case.ends}
        told = ", ".join(f"{name}'s {hops}" for name, hops in limits.items())
        return broken(
            "ttl-spent",
            both(case.writer.machine, case.reader.machine),
            f"{passers} passes multicast on, but announcements may cross too few links ({told}).",
            f"{case.writer.name} and {case.reader.name} never hear of each other.",
            (),
            ("Raise the multicast time to live of the middleware to the number of links on the way.", lists),
        )
    return broken(
        "multicast-blocked",
        both(case.writer.machine, case.reader.machine),
        f"Between {case.writer.machine} and {case.reader.machine}, {passers} passes no multicast on.",
        f"{case.writer.name} and {case.reader.name} look for others by multicast and never hear of "
        "each other.",
        (),
        (f"Let {passers} forward multicast (a multicast router), with enough time to live.", lists),
    )


def _hears(basis: Basis, case: Case, ttl: int | None) -> bool:
    return any(basis.reach.multicast(a.name, b.name, ttl=ttl) for a, b in case.ways)


def _routers(basis: Basis, case: Case) -> list[str]:
    """Machines that pass on between the flow's machines."""
    route = basis.reach.machines(case.writer.machine, case.reader.machine)
    return [] if route is None else [hop.sender.machine for hop in route.hops[1:]]


def _mtu_hole(basis: Basis, case: Case) -> Verdict | None:
    """A link whose one end sends greater packets than the other takes: nobody fragments them."""
    size = case.declared.size_bytes
    route = basis.route(case)
    if size is None or route is None:
        return None
    for hop in route.hops:
        sends, takes = (basis.mtu(joint) for joint in (hop.sender, hop.receiver))
        if min(sends, size + OVERHEAD_BYTES) > takes:
            return _hole_verdict(case, hop, sends, takes)
    return None


def _hole_verdict(case: Case, hop: Hop, sends: int, takes: int) -> Verdict:
    return broken(
        "mtu-hole",
        f"{hop.sender.machine} -> {hop.receiver.machine}",
        f"{hop.sender} sends packets of up to {sends} B, {hop.receiver} takes {takes} B at most.",
        f"Small topics work; {case.declared.topic} ({case.declared.size_bytes:,} B) never arrives.",
        (),
        (
            f"Set the MTU of {hop.sender} to {takes}, so that IP fragments in time.",
            f"Or cap the greatest message size of {case.writer.name}'s middleware below {takes} B.",
        ),
    )


CHECKS: tuple[Callable[[Basis, Case], Verdict | None], ...] = (_no_route, _multicast, _mtu_hole)
