"""Path faults of the link as a whole: it is down for a while, or it passes nothing at all."""

from __future__ import annotations

from toprung.diagnose.pair import Pair, enough
from toprung.diagnose.passage import Passage, joined, shared_hosts
from toprung.diagnose.scene import Scene
from toprung.model.finding import Evidence
from toprung.model.picture import Crossing, Notice, NoticeKind, Samples
from toprung.model.verdict import Verdict, broken

PAUSE_SHARE = 0.8  # how much of an outage the other direction must have paused
OUTAGE_LOST = 5  # datagrams in a row: fewer may be chance
OUTAGE_S = 1.5  # a shorter silence is loss, not a link that is down


TALKATIVE = 4  # datagrams with user data
PERIODS = 3  # a silence of so many of their distances is an end
SILENCE_S = 3.0  # of a machine that sent something all the time before


def link_down(pair: Pair) -> Verdict | None:
    """For a while, or from some moment on, nothing crosses in either direction."""
    found = (check(pair, way) for check in (_vanished, _stretch) for way in pair.ways)
    return _outage(pair) or next((v for v in found if v), None)


def _outage(pair: Pair) -> Verdict | None:
    """One direction loses everything for longer than loss explains, and the other brings nothing "
    "meanwhile."""
    for way, reverse in (pair.ways, pair.ways[::-1]):
        gap = max(_gaps(pair, way), key=_lasting, default=None)
        if gap is None or gap.first_lost is None or not _quiet(pair, reverse, _lasting(gap)):
            continue
        says = f"{way.sender} sends this, and nothing arrives at {way.receiver} for {_lasting(gap):.1f} s"
        return _down_verdict(pair, _lasting(gap), (pair.scene.evidence(gap.first_lost, says),))
    return None


def _gaps(pair: Pair, way: Passage) -> list[Crossing]:
    """Losses in one unbroken row.  Of unfragmented datagrams only: large ones may be lost for their size."""
    return [
        c
        for c in pair.scene.crossings(way.sender, way.receiver)
        if not c.fragmented
        and c.arrived
        and c.between == 0
        and c.sent - c.arrived >= OUTAGE_LOST
        and _lasting(c) >= OUTAGE_S
    ]


def _quiet(pair: Pair, way: Passage, lasting_s: float) -> bool:
    """Whether that direction paused as long: its own losses, or the distances between its samples, or from
    the last of them to the end.
    """
    scene = pair.scene
    into, hosts = scene.views_at(way.receiver), scene.hosts(way.receiver)
    everybody = range(len(scene.picture.participants))
    pauses = [
        max(s.between.most, ((scene.last_sign_ns(everybody, s.view) or 0) - s.tally.last.time_ns) / 1e9)
        for s in scene.samples_from(scene.population(way.sender))
        if s.view in into and s.destination in hosts and s.between and s.rate_hz
    ]
    return min(pauses, default=lasting_s) >= lasting_s * PAUSE_SHARE or any(
        _lasting(c) >= lasting_s * PAUSE_SHARE for c in _gaps(pair, way)
    )


def _vanished(pair: Pair, way: Passage) -> Verdict | None:
    """The sender disappears from the receiver's capture at one moment, all its participants together and
    even its kernel, while its own capture shows it alive (or ends at that moment, with the interface)."""
    scene = pair.scene
    far = scene.population(way.sender)
    for view in scene.views_at(way.receiver):
        last = scene.last_sign_ns(far, view)
        now = _last_sign_ns(scene, way.receiver, view)
        if last is None or now is None or (now - last) / 1e9 < SILENCE_S:
            continue
        if not _was_talkative(scene, far, view, last, now):
            continue
        if any(scene.participant(i).goodbye for i in far) or _kernel_answers(pair, way, view, last):
            continue
        if not _cut_off(pair, way, view, last):
            continue
        mark = max(
            t.last for s in scene.streams_of(far) if s.view == view for t in (s.discovery, s.data) if t
        )
        says = f"the last datagram of {way.sender}, of all its participants together"
        return _down_verdict(pair, (now - last) / 1e9, (scene.evidence(mark, says),))
    return None


def _last_sign_ns(scene: Scene, machine: str, view: int) -> int | None:
    """When a machine last gave a sign in one view: its programs, or its kernel on their behalf."""
    hosts = scene.hosts(machine)
    signs = [n.tally.last.time_ns for n in scene.picture.notices if n.view == view and n.source in hosts]
    return max([*signs, scene.last_sign_ns(scene.population(machine), view) or 0]) or None


def _was_talkative(scene: Scene, far: frozenset[int], view: int, last_ns: int, now_ns: int) -> bool:
    """Whether user data kept coming until that moment, much quicker than the silence after it is long:
    announcements alone pause for seconds."""
    data = [s.data for s in scene.streams_of(far) if s.view == view and s.data and s.data.count >= TALKATIVE]
    return any(
        last_ns - t.last.time_ns < OUTAGE_S * 1e9
        and now_ns - last_ns > PERIODS * (t.last.time_ns - t.first.time_ns) / (t.count - 1)
        for t in data
    )


def _stretch(pair: Pair, way: Passage) -> Verdict | None:
    """A whole stretch of samples that the sender's middleware wrote is in no capture of either machine: an
    interface was down, or nobody resolved the receiver's address.  A stretch longer than a lease may be a
    reader given up."""
    scene = pair.scene
    reverse = pair.back if way is pair.there else pair.there
    views, targets = scene.views_at(way.sender) | scene.views_at(way.receiver), scene.hosts(way.receiver)
    both = scene.population(way.receiver) | scene.population(way.sender)
    leases = [scene.participant(i).lease_ns for i in both]
    lease = min((ns for ns in leases if ns), default=0) / 1e9
    for samples in scene.samples_from(scene.population(way.sender)):
        if samples.view not in views or samples.destination not in targets or not samples.rate_hz:
            continue
        if len(_rows(scene, samples)) > 1:
            continue  # what is missing here may have been sent again to one reader
        stretch = samples.missing / samples.rate_hz
        gap = samples.between.most if samples.between else 0.0
        if min(stretch, gap) < OUTAGE_S or samples.missing < OUTAGE_LOST or gap > lease:
            continue
        if not samples.holes or samples.partial or samples.repeats or not _quiet(pair, reverse, gap):
            continue
        says = f"the first sample after {gap:.1f} s without one; {samples.missing} were written meanwhile"
        return _down_verdict(pair, gap, (scene.evidence(samples.holes[0], says),))
    return None


def _rows(scene: Scene, samples: Samples) -> list[Samples]:
    """All that one view has of a writer's samples towards one address."""
    same = (samples.view, samples.writer, samples.destination)
    return [s for s in scene.picture.samples if (s.view, s.writer, s.destination) == same]


def _kernel_answers(pair: Pair, way: Passage, view: int, since_ns: int) -> bool:
    """Whether the machine itself still reacts: its address resolution, or refusals of its ports."""
    hosts = pair.scene.hosts(way.sender)
    return any(
        n.view == view and n.source in hosts and n.tally.last.time_ns > since_ns + 200_000_000
        for n in pair.scene.picture.notices
    )


def _cut_off(pair: Pair, way: Passage, view: int, last_ns: int) -> bool:
    """Whether the link is cut, and not only the sender's programs gone.

    Either the sender's own capture shows it sending on, or what the receiver sends does not come into that
    capture any more, or nobody finds the sender's address.
    """
    scene = pair.scene
    tried = scene.streams_of(scene.population(way.receiver))
    hosts = scene.hosts(way.sender)
    tried_until = max(
        (
            t.last.time_ns
            for s in tried
            if s.view == view and s.destination in hosts
            for t in (s.discovery, s.data)
            if t
        ),
        default=0,
    )
    for own in scene.views_at(way.sender):
        apart = _clock_apart_ns(scene, own, view)
        sent = scene.last_sign_ns(scene.population(way.sender), own)
        if sent is not None and sent - apart > last_ns + SILENCE_S * 1e9:
            return True
        if scene.picture.views[own].last_ns - apart + SILENCE_S * 1e9 < tried_until:
            return True
    return _nobody_finds(pair, way, view, last_ns)


def _nobody_finds(pair: Pair, way: Passage, view: int, since_ns: int) -> bool:
    """Whether the sender's address is asked for after that moment, in vain, or reported as unreachable."""
    hosts = pair.scene.hosts(way.sender)
    return any(
        n.kind in (NoticeKind.ARP_REQUEST, NoticeKind.HOST_UNREACHABLE)
        and n.view == view
        and n.about in hosts
        and n.source not in hosts
        and n.tally.last.time_ns > since_ns + OUTAGE_S * 1e9
        for n in pair.scene.picture.notices
    )


def _clock_apart_ns(scene: Scene, one: int, other: int) -> float:
    """The first view's clock less the second's, in ns, where matched packets tell."""
    for pair in scene.picture.clocks:
        if (pair.one, pair.other) == (other, one):
            return pair.offset_s * 1e9
        if (pair.one, pair.other) == (one, other):
            return -pair.offset_s * 1e9
    return 0.0


def _down_verdict(pair: Pair, lasting_s: float, evidence: tuple[Evidence, ...]) -> Verdict:
    return broken(
        "link-down",
        pair.name,
        f"For {lasting_s:.1f} s nothing crosses between {pair.there.sender} and {pair.there.receiver}, "
        "in either direction.",
        "Every flow between them stops; after an outage longer than the lease, discovery starts anew.",
        evidence,
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
    deaf = _unanswered_arp(pair)
    if not (tried or deaf) or pair.answered:
        return None
    if deaf or any(enough(way.sent_unicast) for way in tried):
        return _path_blocked(pair, tried, deaf)
    both = joined(pair.there.sent_multicast, pair.back.sent_multicast)
    if len(tried) == 2 and enough(both):
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
