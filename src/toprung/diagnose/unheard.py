"""Why two participants that are both there do not hear of each other."""

from __future__ import annotations

from collections.abc import Callable
from ipaddress import ip_address

from toprung.diagnose.hearing import Hearing
from toprung.diagnose.passage import shared_hosts
from toprung.diagnose.presence import covered
from toprung.diagnose.scene import End, Scene
from toprung.model.finding import Evidence
from toprung.model.picture import Announced, DomainSource, Participant
from toprung.model.site import DiscoveryMode
from toprung.model.verdict import Verdict, broken
from toprung.wire.ports import PortKind, meanings

UNICAST_KINDS = (1, 2)  # UDPv4, UDPv6
ROUND_NS = 50_000_000  # the announcements of one round are within milliseconds
SERVER_PATIENCE_S = 2.0  # a server may be started after its clients


def _domain(way: Hearing) -> Verdict | None:
    speaker, listener = (_latest(way.scene, end) for end in (way.speaker, way.listener))
    if speaker.domain is None or listener.domain is None or _guessed(way, speaker) or _guessed(way, listener):
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


def _guessed(way: Hearing, seen: Participant) -> bool:
    """Whether the domain is read off a port that need not follow the standard's arithmetic."""
    if seen.domain_source is not DomainSource.UNICAST_PORT:
        return False
    ends = (way.scene.site.participant(end.name).discovery for end in way.case.ends)
    return seen.serves or any(d is not None and d.server is not None for d in ends)


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


def _evidence_of(scene: Scene, seen: Participant, says: str) -> tuple[Evidence, ...]:
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
    if not own or near is None or way.is_heard or any(a.source in near for a in own):
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


def _shows_its_ways(way: Hearing) -> bool:
    """Whether the speaker's own capture would hold an announcement by every way that it uses.

    A long one does.  So does one in which it announces itself to where nobody was heard of: it does so in
    rounds, to everybody on its list and by multicast at once.
    """
    if covered(way.scene, way.speaker):
        return True
    picture = way.scene.picture
    doors = {(x.address, x.port) for p in picture.participants for x in p.metatraffic_unicast}
    begun = {v: view.first_ns + ROUND_NS for v, view in enumerate(picture.views)}
    return any(
        not a.multicast and (a.destination, a.port) not in doors and a.tally.last.time_ns > begun[a.view]
        for a in way.own
    )


def server_absent(way: Hearing) -> Verdict | None:
    """The speaker asks a discovery server that never speaks to its machine."""
    declared = way.scene.site.participant(way.speaker.name).discovery
    if declared is None or declared.server is None:
        return None
    host, port = declared.server
    asks = [a for a in way.own if a.destination == host and not a.multicast]
    lasting = max(((a.tally.last.time_ns - a.tally.first.time_ns) / 1e9 for a in asks), default=0.0)
    if lasting < SERVER_PATIENCE_S or _is_served(way):
        return None
    asked = sorted({a.port for a in asks})
    elsewhere = "" if port in asked else f" It asks port {asked[0]}, the site declares {port}."
    return broken(
        "server-absent",
        f"discovery server {host}:{port}",
        f"No discovery server answers {way.speaker.name} at {host}:{asked[0]}.{elsewhere}",
        f"{way.speaker.name} learns of nobody, and nobody of it.",
        (
            way.scene.evidence(
                min(a.tally.first for a in asks),
                f"{way.speaker.name} announces itself to {host}:{asked[0]}, "
                f"{sum(a.tally.count for a in asks)} times, without an answer",
            ),
        ),
        (
            f"Point {way.speaker.name} at {host}:{port}."
            if elsewhere
            else f"Start the discovery server on {host} with port {port}, and open that port.",
        ),
    )


def _is_served(way: Hearing) -> bool:
    """Whether any discovery server speaks to the speaker's machine.

    A late capture does not show that a server passes announcements on: there, whoever plays no declared
    participant may be one.
    """
    scene, hosts = way.scene, way.scene.hosts(way.speaker.machine)
    everybody = range(len(scene.picture.participants))
    declared = {i for p in scene.site.participants for i in scene.cast.lives_of(p.name)}
    servers = (i for i in everybody if scene.participant(i).serves or i not in declared)
    return any(s.destination in hosts for s in scene.streams_of(servers))


def _mode(way: Hearing) -> Verdict | None:
    """One looks for others by multicast, the other by unicast only, and neither reacts to the other."""
    other = Hearing(way.scene, way.case, way.listener, way.speaker)
    modes = _discovers_by(way.own), _discovers_by(other.own)
    if not _shows_its_ways(other):
        return None
    if modes != (DiscoveryMode.MULTICAST, DiscoveryMode.PEERS) or way.reacts or other.reacts:
        return None
    if any(a.port in other.doors for a in other.towards):
        return None
    return broken(
        "discovery-mode",
        f"{way.speaker.name} <-> {way.listener.name}",
        f"{way.speaker.name} looks for others by multicast, {way.listener.name} only by unicast to "
        f"{', '.join(sorted({f'{a.destination}:{a.port}' for a in other.own})[:4])}.",
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
    if _discovers_by(way.own) is not DiscoveryMode.PEERS or way.towards or way.is_heard or other.is_heard:
        return None
    if not _shows_its_ways(way):
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
    if not tried or way.is_heard:
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
    _wrong_interface,
    _index_beyond,
    _mode,
    _peer_missing,
)
