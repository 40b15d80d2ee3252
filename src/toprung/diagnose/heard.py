"""Rung `heard`: has each participant the other's announcement, fresh within its lease?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import ip_address

from toprung.diagnose.life import Fate, Life, life_of
from toprung.diagnose.passage import shared_hosts
from toprung.diagnose.proof import builtin_dialogues, proof_of_match
from toprung.diagnose.scene import Case, End, Scene
from toprung.diagnose.verdict import HELD, UNSEEN, Verdict, broken
from toprung.model.picture import Announced, Participant
from toprung.model.site import DiscoveryMode
from toprung.wire.ports import PortKind, meanings

COVERED_S = 4.0  # a capture this long on a live participant's machine holds one of its datagrams
UNICAST_KINDS = (1, 2)  # UDPv4, UDPv6


@dataclass(frozen=True, slots=True)
class Hearing:
    """One direction: the speaker's announcements at the listener."""

    scene: Scene
    case: Case
    speaker: End
    listener: End

    @property
    def subject(self) -> str:
        return f"{self.speaker.name} ({self.speaker.machine})"

    @property
    def lives(self) -> tuple[Participant, ...]:
        return tuple(self.scene.participant(i) for i in self.speaker.lives)

    @property
    def own(self) -> list[Announced]:
        """Announcements as the speaker's own machine shows them leaving."""
        views = self.scene.views_at(self.speaker.machine)
        return [a for p in self.lives for a in p.announced if a.view in views and a.outgoing is not False]

    @property
    def towards(self) -> list[Announced]:
        """Those of them that can get to the listener's machine."""
        return [a for a in self.own if self.may_reach(a)]

    def may_reach(self, announced: Announced) -> bool:
        """Whether this announcement goes where the listener's machine can get it."""
        if not announced.multicast:
            return announced.destination in self.scene.hosts(self.listener.machine)
        near = shared_hosts(self.scene, self.speaker.machine, self.listener.machine)
        return near is None or announced.source in near


def judge_heard(scene: Scene, case: Case) -> Verdict:
    """Whether both participants know of each other, and still do."""
    if (verdict := _absent(scene, case)) is not None:
        return verdict
    if not (case.writer.seen and case.reader.seen):
        return UNSEEN
    if (verdict := _ended(scene, case)) is not None:
        return verdict
    if proof_of_match(scene, case):
        return HELD
    ways = (Hearing(scene, case, case.writer, case.reader), Hearing(scene, case, case.reader, case.writer))
    for check in CHECKS:
        for way in ways:
            if (verdict := check(way)) is not None:
                return verdict
    return HELD if all(map(_is_heard, ways)) else UNSEEN


def _is_heard(way: Hearing) -> bool:
    """The listener's machine got an announcement, or the listener speaks to the speaker by name."""
    scene, views = way.scene, way.scene.views_at(way.listener.machine)
    if any(a.view in views and a.outgoing is not True for p in way.lives for a in p.announced):
        return True
    if way.case.one_machine and any(p.announced for p in way.lives):
        return True
    return bool(
        builtin_dialogues(scene, way.listener.lives, way.speaker.lives)
        or [d for d in builtin_dialogues(scene, way.speaker.lives, way.listener.lives) if d.acknacks]
    )


# never there, or no longer there


def _absent(scene: Scene, case: Case) -> Verdict | None:
    return next((v for end in case.ends if not end.seen and (v := _silent(scene, end)) is not None), None)


def _silent(scene: Scene, end: End) -> Verdict | None:
    views = [scene.picture.views[v] for v in scene.views_at(end.machine)]
    watched = [v for v in views if (v.last_ns - v.first_ns) / 1e9 >= COVERED_S and v.packets]
    if not watched or not scene.picture.participants or not scene.cast.complete(end.machine):
        return None
    view = watched[0]
    lasting = (view.last_ns - view.first_ns) / 1e9
    mark = scene.first_mark(view)
    return broken(
        "participant-silent",
        f"{end.name} ({end.machine})",
        f"{end.name} never announced itself: {view.label}, taken on {end.machine}, holds nothing of it in "
        f"{lasting:.0f} s.",
        f"No reader or writer of {end.name} exists for anybody else.",
        (scene.evidence(mark, f"the capture on {end.machine} begins here and holds no announcement of it"),),
        (f"Start {end.name} on {end.machine}, and look at its own log for why it does not speak DDS.",),
    )


def _ended(scene: Scene, case: Case) -> Verdict | None:
    for end, other in ((case.writer, case.reader), (case.reader, case.writer)):
        life = life_of(scene, end)
        counterpart = life_of(scene, other)
        if life is None or life.fate is Fate.ALIVE:
            continue
        if counterpart is not None and _stopped_together(life, counterpart):
            continue
        return _end_verdict(scene, end, life)
    return None


def _stopped_together(one: Life, other: Life) -> bool:
    """Both ended within moments: somebody switched the whole thing off."""
    return other.fate in (Fate.LEFT, Fate.LOST) and abs(one.last.time_ns - other.last.time_ns) < 1.5e9


ENDINGS: dict[Fate, tuple[str, str, str, tuple[str, ...]]] = {
    Fate.LEFT: (
        "participant-left",
        "{name} said goodbye and did not come back.",
        "its goodbye",
        ("Find out why {name} was stopped on {machine}, and start it again.",),
    ),
    Fate.LOST: (
        "participant-lost",
        "{name} fell silent without a goodbye {silent:.1f} s before the capture ends.",
        "the last sign of life of {name}",
        (
            "Look for a crash of {name} on {machine} (its log, the kernel's log, the power supply).",
            "Have it restarted by a supervisor; the base must stop by its own watchdog meanwhile.",
        ),
    ),
    Fate.LAPSED: (
        "lease-lapsed",
        "{name} comes and goes: between two of its announcements passes more than its lease.",
        "the last announcement of {name} in this capture",
        (
            "Announce more often than the lease, or lengthen the lease of {name}.",
            "Look for what holds {name} up: a suspended process, a sleeping radio, an overloaded machine.",
        ),
    ),
}


def _end_verdict(scene: Scene, end: End, life: Life) -> Verdict:
    code, says, mark_says, remedies = ENDINGS[life.fate]
    words = {"name": end.name, "machine": end.machine, "silent": life.silent_s}
    return broken(
        code,
        f"{end.name} ({end.machine})",
        says.format(**words),
        f"Flows from and to {end.name} stop.",
        (scene.evidence(life.last, mark_says.format(**words)),),
        tuple(r.format(**words) for r in remedies),
    )


# both there, and yet not heard


def _domain(way: Hearing) -> Verdict | None:
    speaker, listener = (_latest(way.scene, end) for end in (way.speaker, way.listener))
    if speaker.domain is None or listener.domain is None:
        return None
    if speaker.domain == listener.domain:
        return _domain_tag(way, speaker, listener)
    site = way.scene.site.domain
    stray, end = (speaker, way.speaker) if speaker.domain != site else (listener, way.listener)
    if stray.domain == site:
        return None
    return broken(
        "domain-mismatch",
        f"{end.name} ({end.machine})",
        f"{end.name} is in domain {stray.domain}, the rest of the site in domain {site}.",
        f"{end.name} and the others use different ports and never hear of each other.",
        _evidence_of(way.scene, stray, f"{end.name} announces itself in domain {stray.domain}"),
        (f"Start {end.name} in domain {site} (its domain id, often set by an environment variable).",),
    )


def _domain_tag(way: Hearing, speaker: Participant, listener: Participant) -> Verdict | None:
    if speaker.domain_tag == listener.domain_tag or not (speaker.described and listener.described):
        return None
    return broken(
        "domain-tag",
        f"{way.speaker.name} <-> {way.listener.name}",
        f'{way.speaker.name} carries the domain tag "{speaker.domain_tag}", {way.listener.name} '
        f'"{listener.domain_tag}".',
        "Participants with different tags ignore each other, even in one domain.",
        _evidence_of(way.scene, speaker, f'domain tag "{speaker.domain_tag}"')
        + _evidence_of(way.scene, listener, f'domain tag "{listener.domain_tag}"'),
        ("Give both the same domain tag, or none.",),
    )


def _latest(scene: Scene, end: End) -> Participant:
    return scene.participant(end.lives[-1])


def _evidence_of(scene: Scene, seen: Participant, says: str) -> tuple:  # type: ignore[type-arg]
    return (scene.evidence(seen.described or seen.first_heard, says),)


def _loopback(way: Hearing) -> Verdict | None:
    seen = _latest(way.scene, way.speaker)
    places = [x.address for x in seen.metatraffic_unicast + seen.default_unicast if x.kind in UNICAST_KINDS]
    spoken = [a for a in seen.announced if not _is_loopback(a.source)]
    if way.case.one_machine or spoken or not all(map(_is_loopback, places)) or not (places or seen.announced):
        return None
    return broken(
        "loopback-only",
        way.subject,
        f"{way.speaker.name} speaks on the loopback interface only.",
        f"Nobody outside {way.speaker.machine} can hear {way.speaker.name}.",
        _evidence_of(way.scene, seen, f"announced from {', '.join(seen.sources)} with {', '.join(places)}"),
        (
            f"Let {way.speaker.name} use the interface of its link (interface setting, or "
            "localhost-only switch).",
        ),
    )


def _is_loopback(address: str) -> bool:
    try:
        return ip_address(address.partition("%")[0]).is_loopback
    except ValueError:
        return False


def _wrong_interface(way: Hearing) -> Verdict | None:
    near = shared_hosts(way.scene, way.speaker.machine, way.listener.machine)
    own = way.own
    if not own or near is None or _is_heard(way) or any(a.source in near for a in own):
        return None
    if not any(a.multicast for a in own) or way.towards:
        return None
    sources = sorted({a.source for a in own})
    if not set(sources) <= way.scene.site.machine(way.speaker.machine).hosts:
        return None
    mark = min(a.tally.first for a in own)
    return broken(
        "wrong-interface",
        way.subject,
        f"{way.speaker.name} speaks from {', '.join(sources)} only; nothing of it goes out from "
        f"{', '.join(sorted(near))}, where {way.listener.machine} listens.",
        f"{way.listener.name} never hears of {way.speaker.name}.",
        (way.scene.evidence(mark, f"{way.speaker.name} announces from {sources[0]}, as it always does"),),
        (
            f"Let {way.speaker.name} use the interface with {', '.join(sorted(near))}, too "
            "(the middleware's interface list).",
        ),
    )


def _discovers_by(announced: list[Announced]) -> DiscoveryMode | None:
    if not announced:
        return None
    return DiscoveryMode.MULTICAST if any(a.multicast for a in announced) else DiscoveryMode.PEERS


def _server_absent(way: Hearing) -> Verdict | None:
    declared = way.scene.site.participant(way.speaker.name).discovery
    if declared is None or declared.server is None:
        return None
    host, port = declared.server
    asks = [a for a in way.own if a.destination == host and not a.multicast]
    if not asks or _is_heard(way):
        return None
    servers = {i for i, p in enumerate(way.scene.picture.participants) if p.serves}
    if servers or any(_answers(way, host, a) for a in asks):
        return None
    return broken(
        "server-absent",
        f"discovery server {host}:{port}",
        f"The discovery server {host}:{port} does not answer {way.speaker.name}.",
        "Its clients never learn of each other: no flow among them works.",
        (
            way.scene.evidence(
                min(a.tally.first for a in asks),
                f"{way.speaker.name} announces itself to {host}:{asks[0].port}, "
                f"{sum(a.tally.count for a in asks)} times, without an answer",
            ),
        ),
        (f"Start the discovery server on {host} with port {port}, and open that port.",),
    )


def _answers(way: Hearing, host: str, asked: Announced) -> bool:
    """Whether anything came back from the server's address to the asking machine's."""
    scene = way.scene
    return any(
        s.source == host
        and s.destination in scene.hosts(way.speaker.machine)
        and s.participant not in way.speaker.lives
        for s in scene.picture.streams
        if s.port != asked.port and not s.multicast and scene.participant(s.participant).serves
    )


def _mode(way: Hearing) -> Verdict | None:
    """One looks for others by multicast, the other by unicast only, and neither gets through."""
    other = Hearing(way.scene, way.case, way.listener, way.speaker)
    modes = _discovers_by(way.own), _discovers_by(other.own)
    if modes != (DiscoveryMode.MULTICAST, DiscoveryMode.PEERS) or _is_heard(way) or _is_heard(other):
        return None
    if other.towards:
        return None
    return broken(
        "discovery-mode",
        f"{way.speaker.name} <-> {way.listener.name}",
        f"{way.speaker.name} looks for others by multicast, {way.listener.name} only by unicast to "
        "its own list "
        f"({', '.join(sorted({a.destination for a in other.own}))}).",
        "Each speaks where the other does not listen.",
        tuple(
            way.scene.evidence(
                min(a.tally.first for a in h.own), f"{h.speaker.name} announces to {h.own[0].destination}"
            )
            for h in (way, other)
        ),
        (
            f"Let both discover in the same way: put {way.speaker.machine}'s address into the list of "
            f"{way.listener.name}, or let {way.listener.name} use multicast, or both one server.",
        ),
    )


def _peer_missing(way: Hearing) -> Verdict | None:
    other = Hearing(way.scene, way.case, way.listener, way.speaker)
    if _discovers_by(way.own) is not DiscoveryMode.PEERS or way.towards or _is_heard(way) or _is_heard(other):
        return None
    told = sorted({a.destination for a in way.own})
    theirs = ", ".join(sorted(way.scene.site.machine(way.listener.machine).hosts))
    return broken(
        "peer-missing",
        f"{way.speaker.machine} -> {way.listener.machine}",
        f"{way.speaker.name} announces itself to {', '.join(told)} only; {way.listener.machine} "
        f"({theirs}) is not "
        "in its list.",
        f"{way.listener.name} never hears of {way.speaker.name}.",
        (
            way.scene.evidence(
                min(a.tally.first for a in way.own), f"{way.speaker.name} announces to {told[0]}, by unicast"
            ),
        ),
        (
            f"Add {theirs} to the peers of {way.speaker.name}, and {way.speaker.machine} to those "
            f"of {way.listener.name}.",
        ),
    )


def _index_beyond(way: Hearing) -> Verdict | None:
    """The speaker's unicast announcements try ports below the one that the listener took."""
    tried = [a for a in way.towards if not a.multicast]
    if not tried or _is_heard(way):
        return None
    listens = {x.port for i in way.listener.lives for x in way.scene.participant(i).metatraffic_unicast}
    ports = {a.port for a in tried}
    domain = _latest(way.scene, way.speaker).domain
    if not listens or domain is None or listens & ports or min(listens) < max(ports):
        return None
    index, greatest = _index(domain, min(listens)), _index(domain, max(ports))
    if index is None or greatest is None:
        return None
    return broken(
        "index-beyond-reach",
        f"{way.listener.name} ({way.listener.machine})",
        f"{way.listener.name} took participant index {index} (port {min(listens)}); {way.speaker.name} tries "
        f"indices up to {greatest} (port {max(ports)}) only.",
        f"{way.listener.name} never hears of {way.speaker.name}.",
        (way.scene.evidence(min(a.tally.first for a in tried), f"tries port {max(ports)} at most"),),
        (
            f"Raise the greatest participant index that {way.speaker.name} tries above {index}.",
            f"Or run fewer participants on {way.listener.machine}, or give {way.listener.name} a "
            "fixed lower index.",
        ),
    )


def _index(domain: int, port: int) -> int | None:
    """The participant index that a discovery port stands for in that domain."""
    told = (m for m in meanings(port) if m.domain == domain and m.kind is PortKind.DISCOVERY_UNICAST)
    return next((m.index for m in told), None)


CHECKS: tuple[Callable[[Hearing], Verdict | None], ...] = (
    _domain,
    _loopback,
    _server_absent,
    _wrong_interface,
    _index_beyond,
    _mode,
    _peer_missing,
)
