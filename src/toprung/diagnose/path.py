"""Rung `path`: can the two machines exchange the datagrams that the flow needs?

Each check answers None where its fault does not show; the first that answers names the fault.  Their
order goes from what the site's own addresses say to what only missing reactions can tell.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from toprung.diagnose.passage import Passage, link_between, passage, reach, reachable, shared_hosts
from toprung.diagnose.proof import proof_of_match
from toprung.diagnose.scene import Case, Scene
from toprung.diagnose.verdict import HELD, UNSEEN, Verdict, broken
from toprung.model.finding import Evidence
from toprung.model.picture import Crossing, Dialogue, Mark, Notice, NoticeKind
from toprung.model.site import Pass

ENOUGH = 3  # datagrams: fewer may be chance
PATIENCE_S = 1.0  # healthy peers answer discovery within milliseconds
OUTAGE_S = 1.5  # a shorter silence is loss, not a link that is down


@dataclass(frozen=True, slots=True)
class Pair:
    """Two machines and what passed between them, both ways."""

    scene: Scene
    there: Passage  # first machine -> second
    back: Passage

    @property
    def name(self) -> str:
        link = link_between(self.scene, self.there.sender, self.there.receiver)
        return f"{self.there.sender} <-> {self.there.receiver}" + (f" ({link})" if link else "")

    @property
    def ways(self) -> tuple[Passage, Passage]:
        return self.there, self.back

    @property
    def proven(self) -> bool:
        """Whether datagrams were seen to come in on both machines."""
        return self.there.arrived and self.back.arrived


def judge_path(scene: Scene, case: Case) -> Verdict:
    """Whether the path between the flow's machines carries what the flow needs."""
    if case.one_machine:
        return HELD
    verdict = scene.once(("path", case.machines), lambda: _judge_pair(scene, *case.machines))
    if verdict.finding is None:
        verdict = _judge_big(scene, case) or verdict
    if verdict.finding is None and proof_of_match(scene, case):
        return HELD
    return verdict


def _judge_pair(scene: Scene, one: str, other: str) -> Verdict:
    pair = Pair(scene, passage(scene, one, other), passage(scene, other, one))
    for check in CHECKS:
        verdict = check(pair)
        if verdict is not None:
            return verdict
    return HELD if pair.proven or _answered(pair) else UNSEEN


def _answered(pair: Pair) -> bool:
    """Whether either side acknowledged what the other wrote: both directions carried something."""
    return any(
        d.acknowledged_below > 1
        for way in pair.ways
        for d in _talk(pair.scene, way)
        if d.view not in pair.scene.views_at(way.receiver)  # the acknowledgement came back, too
    )


def _talk(scene: Scene, way: Passage) -> list[Dialogue]:
    """Delivery talk about the sending machine's writers with the receiving machine's participants."""
    return list(scene.dialogues(scene.population(way.sender), scene.population(way.receiver)))


# the checks


def _duplicate_address(pair: Pair) -> Verdict | None:
    scene = pair.scene
    hosts = scene.hosts(pair.there.sender) | scene.hosts(pair.there.receiver)
    for view in range(len(scene.picture.views)):
        for host in sorted(hosts):
            seen = [n for n in scene.picture.neighbours if n.view == view and n.address == host]
            if len({n.hardware for n in seen}) < 2 or scene.cast.view_machine(view) in _routers(scene):
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


def _routers(scene: Scene) -> frozenset[str]:
    return frozenset(m.name for m in scene.site.machines if m.forwards)


def _no_route(pair: Pair) -> Verdict | None:
    scene = pair.scene
    if any(way.arrived_unicast for way in pair.ways) or _answered(pair):
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
    """Source addresses that the sending machine used on the wire, towards anybody but itself."""
    used: dict[str, Mark] = {}
    for stream in scene.streams_of(scene.population(way.sender)):
        if not stream.source.startswith("127.") and (tally := stream.discovery or stream.data):
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
        _first_sent(pair),
        (
            f"Declare and configure a router between the subnets of {one} and {other}, or join them "
            "by a link.",
        ),
    )


def _first_sent(pair: Pair) -> tuple[Evidence, ...]:
    return tuple(
        pair.scene.evidence(tally.first, f"{way.sender} sends towards {way.receiver}")
        for way in pair.ways
        for tally in (way.sent_unicast or way.sent_multicast or way.arrived_multicast,)
        if tally
    )


def _link_down(pair: Pair) -> Verdict | None:
    """Both directions lose everything at the same time, for longer than loss explains."""
    scene = pair.scene
    gaps = []
    for way in pair.ways:
        lost = [c for c in scene.crossings(way.sender, way.receiver) if c.first_lost and c.last_lost]
        outages = [c for c in lost if c.between == 0 and c.arrived and _lasting(c) >= OUTAGE_S]
        if not outages:
            return None
        gaps.append(max(outages, key=_lasting))
    starts, ends = zip(*((c.first_lost, c.last_lost) for c in gaps), strict=True)
    if max(m.time_ns for m in starts) > min(m.time_ns for m in ends) + 1e9:
        return None
    lasting = max(map(_lasting, gaps))
    return broken(
        "link-down",
        pair.name,
        f"For {lasting:.1f} s nothing crosses between {pair.there.sender} and {pair.there.receiver}, "
        "in either direction, while both go on sending.",
        "Every flow between them stops; after an outage longer than the lease, discovery starts anew.",
        tuple(
            scene.evidence(mark, f"{scene.cast.view_machine(c.sender)} sends this, and it does not arrive")
            for c in gaps
            for mark in (c.first_lost,)
            if mark
        ),
        ("Check cable, radio coverage and the interface's state at that time.",),
    )


def _lasting(crossing: Crossing) -> float:
    if crossing.first_lost is None or crossing.last_lost is None:
        return 0.0
    return (crossing.last_lost.time_ns - crossing.first_lost.time_ns) / 1e9


def _nothing_passes(pair: Pair) -> Verdict | None:
    """Neither machine gets anything of what the other sends."""
    if any(way.arrived or not (way.seen_leaving and way.seen_coming) for way in pair.ways):
        return None
    tried = [way for way in pair.ways if way.sent_multicast or way.sent_unicast]
    if not tried or _answered(pair):
        return None
    deaf = _unanswered_arp(pair)
    if deaf or any(_enough(way.sent_unicast) for way in tried):
        return _path_blocked(pair, tried, deaf)
    if all(_enough(way.sent_multicast) for way in tried):
        return _multicast_blocked(pair, tried)
    return None


def _enough(tally: object) -> bool:
    return tally is not None and tally.count >= ENOUGH  # type: ignore[attr-defined]


def _unanswered_arp(pair: Pair) -> list[Notice]:
    """Address questions of one machine about the other that the other never answered."""
    scene = pair.scene
    said = scene.picture.notices
    found = []
    for way in pair.ways:
        here, there = scene.hosts(way.sender), scene.hosts(way.receiver)
        answered = any(
            n.kind is NoticeKind.ARP_REPLY and n.source in there and n.view in scene.views_at(way.sender)
            for n in said
        )
        asked = [
            n
            for n in said
            if n.kind is NoticeKind.ARP_REQUEST
            and n.source in here
            and n.about in there
            and n.view in scene.views_at(way.sender)
        ]
        if asked and not answered:
            found += asked
    return found


def _path_blocked(pair: Pair, tried: list[Passage], deaf: list[Notice]) -> Verdict:
    scene = pair.scene
    evidence = [
        scene.evidence(
            t.first, f"{way.sender} sends to {way.receiver}; it is in no capture of {way.receiver}"
        )
        for way in tried
        if (t := way.sent_unicast or way.sent_multicast)
    ]
    evidence += [
        scene.evidence(n.tally.first, f"{n.source} asks for {n.about}; nobody answers") for n in deaf[:2]
    ]
    return broken(
        "path-blocked",
        pair.name,
        f"Nothing passes between {pair.there.sender} and {pair.there.receiver}: neither multicast "
        "nor unicast "
        "of either arrives at the other.",
        "The two machines do not know of each other; no flow between them works.",
        tuple(evidence),
        (
            "Switch off the access point's client isolation (stations must be let speak to each other).",
            "Check that both are in the same network name, VLAN and switch.",
        ),
    )


def _multicast_blocked(pair: Pair, tried: list[Passage]) -> Verdict | None:
    scene = pair.scene
    if (spent := _ttl_spent(pair, tried)) is not None:
        return spent
    return broken(
        "multicast-blocked",
        pair.name,
        f"Multicast between {pair.there.sender} and {pair.there.receiver} is sent and does not arrive.",
        "Participants that look for each other by multicast never hear of each other: no flow "
        "between the two "
        "machines works.",
        tuple(
            scene.evidence(
                way.sent_multicast.first,
                f"{way.sender} announces by multicast ({way.sent_multicast.count} datagrams); "
                f"no capture of {way.receiver} has one",
            )
            for way in tried
            if way.sent_multicast
        ),
        (
            "Let the access point or switch pass multicast to 239.255.0.1 (multicast filter, IGMP snooping "
            "without a querier, multicast enhancement).",
            "Or give both machines' participants a peers list, or a discovery server, so that discovery goes "
            "by unicast.",
        ),
    )


def _ttl_spent(pair: Pair, tried: list[Passage]) -> Verdict | None:
    """Multicast has to pass a router and carries a single hop."""
    scene = pair.scene
    if any(shared_hosts(scene, way.sender, way.receiver) is not None for way in tried):
        return None
    streams = [
        s
        for way in tried
        for s in scene.streams_of(scene.population(way.sender))
        if s.multicast and s.view in scene.views_at(way.sender)
    ]
    if not streams or any(s.ttl > 1 for s in streams):
        return None
    return broken(
        "ttl-spent",
        pair.name,
        f"{pair.there.sender} and {pair.there.receiver} are joined by a router, and multicast is sent with "
        "one hop only: the router may not pass it on.",
        "Discovery by multicast ends at the router: no flow between the two machines works.",
        tuple(
            scene.evidence(t.first, f"multicast to {s.destination} leaves with {s.ttl} hop")
            for s in streams[:2]
            if (t := s.discovery or s.data)
        ),
        (
            "Raise the multicast time to live of both sides' participants to the number of hops.",
            "Or use a peers list or a discovery server across the router.",
        ),
    )


def _one_direction(pair: Pair) -> Verdict | None:
    """Unicast of one machine does not reach the other, or gets no reaction there."""
    return next((v for way in pair.ways if (v := _unicast_fails(pair, way)) is not None), None)


def _unicast_fails(pair: Pair, way: Passage) -> Verdict | None:
    scene = pair.scene
    if not _enough(way.sent_unicast or way.arrived_unicast) or not _can_be_answered(pair, way):
        return None
    lost = way.sent_unicast and way.seen_leaving and way.seen_coming and not way.arrived_unicast
    if lost and way.sent_unicast is not None and _lasts(way.sent_unicast.first, way.sent_unicast.last):
        mark, says = way.sent_unicast.first, f"{way.sender} sends to {way.receiver}; it does not arrive"
    elif (ignored := _ignored(scene, way)) is not None:
        mark = ignored.heartbeats.first  # type: ignore[union-attr]
        says = (
            f"{way.sender} asks {way.receiver} to acknowledge; it asks {ignored.heartbeats.count} times "  # type: ignore[union-attr]
            "and is never answered"
        )
    else:
        return None
    return _unicast_verdict(pair, way, mark, says)


def _lasts(first: Mark, last: Mark) -> bool:
    return (last.time_ns - first.time_ns) / 1e9 >= PATIENCE_S


def _can_be_answered(pair: Pair, way: Passage) -> bool:
    """Whether the receiver has an address of the sender's that it can reach: else silence says nothing."""
    scene = pair.scene
    return any(
        reachable(scene, way.receiver, locator.address) is not False
        for i in scene.population(way.sender)
        for locator in scene.participant(i).metatraffic_unicast
        if locator.kind in (1, 2)
    ) or not any(scene.participant(i).metatraffic_unicast for i in scene.population(way.sender))


def _ignored(scene: Scene, way: Passage) -> Dialogue | None:
    """The longest plea for acknowledgement, if the receiver never acknowledged anything at all."""
    talk = _talk(scene, way)
    if any(d.acknowledged_below > 1 for d in talk):
        return None
    pleas = [
        d
        for d in talk
        if d.written_upto >= 1
        and d.heartbeats
        and d.heartbeats.count >= ENOUGH
        and _lasts(d.heartbeats.first, d.heartbeats.last)
    ]
    return max(pleas, key=lambda d: d.heartbeats.count if d.heartbeats else 0, default=None)


def _unicast_verdict(pair: Pair, way: Passage, mark: Mark, says: str) -> Verdict:
    scene = pair.scene
    other = pair.back if way is pair.there else pair.there
    code = "unicast-blocked" if way.arrived_multicast or not other.arrived else "one-way"
    passes = {
        "unicast-blocked": "multicast passes",
        "one-way": f"datagrams from {way.receiver} to {way.sender} pass",
    }[code]
    evidence = [scene.evidence(mark, says)]
    if (proof := way.arrived_multicast or other.arrived_unicast or other.arrived_multicast) is not None:
        evidence.append(scene.evidence(proof.first, passes))
    return broken(
        code,
        pair.name,
        f"Direct (unicast) datagrams from {way.sender} do not get through to {way.receiver}'s programs, "
        f"although {passes}.",
        f"{way.receiver} hears announcements but cannot be introduced: no flow between {way.sender} and "
        f"{way.receiver} works.",
        tuple(evidence),
        (
            f"Open {way.receiver}'s firewall for UDP from {way.sender}: the domain's discovery and "
            "data ports "
            "(and the ports that its participants announce).",
            "Check for filters on the way that pass one direction only.",
        ),
    )


CHECKS: tuple[Callable[[Pair], Verdict | None], ...] = (
    _duplicate_address,
    _no_route,
    _link_down,
    _nothing_passes,
    _one_direction,
)


# what only big samples need


def _judge_big(scene: Scene, case: Case) -> Verdict | None:
    """Whether the flow's own size is what does not pass, while smaller datagrams do."""
    size = case.declared.size_bytes
    found = [
        c
        for c in scene.crossings(case.writer.machine, case.reader.machine)
        if not c.multicast and c.smallest_lost_bytes and (size is None or size >= c.smallest_lost_bytes)
    ]
    whole = [c for c in found if not c.fragmented]
    for crossing in whole:
        if 0 < crossing.largest_arrived_bytes < crossing.smallest_lost_bytes and _steady(crossing):
            return _mtu_hole(scene, case, crossing)
    for crossing in (c for c in found if c.fragmented):
        if crossing.arrived == 0 and crossing.sent >= ENOUGH and not _pieces_come(scene, case):
            return _fragments_blocked(scene, case, crossing)
    return None


def _steady(crossing: Crossing) -> bool:
    return crossing.sent - crossing.arrived >= ENOUGH


def _pieces_come(scene: Scene, case: Case) -> bool:
    """Whether the reader's machine gets more than the first fragment of big datagrams."""
    views = scene.views_at(case.reader.machine)
    torn = [s for s in scene.streams_of(case.writer.lives) if s.view in views and s.incomplete]
    return any(s.pieces > s.incomplete.count for s in torn if s.incomplete)


def _mtu_hole(scene: Scene, case: Case, crossing: Crossing) -> Verdict:
    here, there = case.writer.machine, case.reader.machine
    return broken(
        "mtu-hole",
        f"{here} -> {there}",
        f"Datagrams from {here} to {there} above {crossing.largest_arrived_bytes} B vanish although "
        "they are not "
        f"fragmented; the smallest lost one has {crossing.smallest_lost_bytes} B.",
        "Small topics work, large ones never arrive.",
        tuple(
            scene.evidence(m, "this large datagram leaves and does not arrive")
            for m in (crossing.first_lost,)
            if m
        ),
        (
            f"Set the MTU of {here}'s interface to what the narrowest link on the way carries, so that IP "
            "fragments in time.",
            "Or cap the middleware's greatest message size below it.",
        ),
    )


def _fragments_blocked(scene: Scene, case: Case, crossing: Crossing) -> Verdict:
    here, there = case.writer.machine, case.reader.machine
    return broken(
        "fragments-blocked",
        f"{here} -> {there}",
        f"Datagrams from {here} to {there} that need IP fragments never arrive whole ({crossing.sent} sent), "
        "while smaller ones do.",
        "Small topics work; every sample larger than the MTU is lost.",
        tuple(
            scene.evidence(m, "this fragmented datagram leaves and does not arrive whole")
            for m in (crossing.first_lost,)
            if m
        ),
        (
            "Let IP fragments pass the firewall or router on the way.",
            "Or cap the middleware's greatest message size at 1,400 B, so that it fragments above UDP.",
        ),
    )
