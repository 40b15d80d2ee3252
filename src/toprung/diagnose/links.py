"""Path faults of the link as a whole: it is down for a while, or it passes nothing at all."""

from __future__ import annotations

from toprung.diagnose.pair import Pair, enough
from toprung.diagnose.passage import Passage, shared_hosts
from toprung.diagnose.verdict import Verdict, broken
from toprung.model.picture import Crossing, Notice, NoticeKind

OUTAGE_S = 1.5  # a shorter silence is loss, not a link that is down


def link_down(pair: Pair) -> Verdict | None:
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


def nothing_passes(pair: Pair) -> Verdict | None:
    """Neither machine gets anything of what the other sends."""
    if any(way.arrived or not (way.seen_leaving and way.seen_coming) for way in pair.ways):
        return None
    tried = [way for way in pair.ways if way.sent_multicast or way.sent_unicast]
    if not tried or pair.answered:
        return None
    deaf = _unanswered_arp(pair)
    if deaf or any(enough(way.sent_unicast) for way in tried):
        return _path_blocked(pair, tried, deaf)
    if all(enough(way.sent_multicast) for way in tried):
        return _multicast_blocked(pair, tried)
    return None


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
