"""Path faults of addressing: one address twice, or no route between two."""

from __future__ import annotations

from toprung.diagnose.pair import Pair
from toprung.diagnose.passage import Passage, reach, reachable
from toprung.diagnose.scene import Scene
from toprung.model.picture import Mark, Neighbour, Notice, NoticeKind
from toprung.model.site import Pass
from toprung.model.verdict import Verdict, broken


def duplicate_address(pair: Pair) -> Verdict | None:
    scene = pair.scene
    hosts = scene.hosts(pair.there.sender) | scene.hosts(pair.there.receiver)
    for view in range(len(scene.picture.views)):
        for host in sorted(hosts):
            seen = _neighbours(scene, view, host) or _claims(scene, view, host)
            if len({n.hardware for n in seen}) < 2:
                continue
            return broken(
                "duplicate-address",
                host,
                f"Two machines use the address {host}: "
                f"{' and '.join(sorted({n.hardware for n in seen}))} both send from it.",
                "Datagrams for one machine go to the other, now this way, now that way.",
                tuple(scene.evidence(n.tally.first, f"{host} is sent from {n.hardware}") for n in seen[:4]),
                (f"Give one of the two machines another address than {host}.",),
            )
    return None


def _neighbours(scene: Scene, view: int, host: str) -> list[Neighbour]:
    """Who sends from the address, in one view.  The capturing machine's own frames are left out: it may
    forward for others, and send from one of its addresses on every interface."""
    here = [n for n in scene.picture.neighbours if n.view == view]
    own = {n.hardware for n in here if n.address in _own(scene, view)}
    return [n for n in here if n.address == host and n.hardware not in own]


def _claims(scene: Scene, view: int, host: str) -> list[Neighbour | Notice]:
    """Who sends from an address of the capturing machine, and who else announces that it is its own.

    Only the owner of an address asks for it from itself (RFC 5227, 1.1 and 2.3), and it does so by the
    hardware that it sends with.
    """
    if host not in _own(scene, view):
        return []
    here = [n for n in scene.picture.neighbours if n.view == view and n.address in _own(scene, view)]
    strange = [
        n
        for n in scene.picture.notices
        if n.view == view
        and n.kind is NoticeKind.ARP_REQUEST
        and n.source == n.about == host
        and n.hardware not in {own.hardware for own in here}
    ]
    return [*(n for n in here if n.address == host), *strange] if strange else []


def _own(scene: Scene, view: int) -> frozenset[str]:
    return scene.picture.views[view].own_addresses


def no_route(pair: Pair) -> Verdict | None:
    scene = pair.scene
    if any(way.arrived_unicast for way in pair.ways) or pair.answered:
        return None
    for way in pair.ways:
        strange = _addresses_in_use(scene, way)
        if not strange or any(reachable(scene, way.receiver, host) is not False for host in strange):
            continue
        mark = next(iter(strange.values()))
        machine, host = way.sender, next(iter(strange))
        declared = ", ".join(sorted(scene.site.machine(machine).hosts)) or "none"
        return broken(
            "no-route",
            pair.name,
            f"{machine} sends from {host}, which is in no subnet that {way.receiver} reaches: "
            "no route joins the two machines.",
            "Multicast announcements may still be heard on a shared segment, but every direct "
            "answer is lost: "
            f"no flow between {machine} and {way.receiver} works.",
            (scene.evidence(mark, f"{machine} speaks from {host}; the site declares {declared}"),),
            (
                f"Give {machine} its declared address ({declared}) on this link, or a route both "
                "ways between "
                f"{host} and {way.receiver}.",
            ),
        )
    if _apart_by_declaration(scene, pair.there):
        return _declared_apart(pair)
    return None


def _addresses_in_use(scene: Scene, way: Passage) -> dict[str, Mark]:
    """Source addresses that the sending machine used on the wire and does not declare.

    Those that it declares tell nothing of its other ones: they may be on links that are not captured, or
    find nobody there to send to.
    """
    used: dict[str, Mark] = {}
    declared = scene.site.machine(way.sender).hosts
    for stream in scene.streams_of(scene.population(way.sender)):
        if stream.source in declared or stream.source.startswith("127."):
            continue
        if tally := stream.discovery or stream.data:
            used.setdefault(stream.source, tally.first)
    return used


def _apart_by_declaration(scene: Scene, way: Passage) -> bool:
    here, there = (reach(scene, m, Pass.UNICAST) for m in (way.sender, way.receiver))
    return bool(here and there) and not here & there


def _declared_apart(pair: Pair) -> Verdict:
    one, other = pair.there.sender, pair.there.receiver
    return broken(
        "no-route",
        pair.name,
        f"The site gives {one} and {other} no common subnet, and no machine that forwards between theirs.",
        f"No flow between {one} and {other} can work.",
        pair.first_sent,
        (
            f"Declare and configure a router between the subnets of {one} and {other}, or join them "
            "by a link.",
        ),
    )
