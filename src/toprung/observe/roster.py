"""Participants and endpoints: what each announced of itself, and what its traffic shows."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from toprung.model.picture import (
    Announced,
    Dialogue,
    DomainSource,
    Endpoint,
    Guid,
    Locator,
    Mark,
    Participant,
    Samples,
    Side,
    Spread,
    Tally,
)
from toprung.observe.notes import Note, gone
from toprung.observe.shards import Shard, merge_tallies
from toprung.observe.spreads import spreads
from toprung.observe.traffic import Course, direction
from toprung.wire.discovery import EndpointData, ParticipantData
from toprung.wire.ids import is_builtin, is_reader, is_writer
from toprung.wire.ports import LINUX, meanings

NO_PREFIXES = (b"", bytes(12))


@dataclass(slots=True)
class _Entry:
    """What is gathered of one participant."""

    data: ParticipantData | None = None
    data_ns: int = 0
    described: Mark | None = None
    goodbye: Mark | None = None
    relays: set[bytes] = field(default_factory=set)
    serves: bool = False
    courses: list[Course] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)


def participants_of(
    shards: Sequence[Shard], courses: Sequence[Course], own: Sequence[frozenset[str]]
) -> tuple[Participant, ...]:
    """Every GUID prefix that announced something, was described, or sent anything; first heard first."""
    entries: dict[bytes, _Entry] = defaultdict(_Entry)
    for course in courses:
        if course.prefix not in NO_PREFIXES:
            entries[course.prefix].courses.append(course)
    for shard in shards:
        for data, note in shard.about_participants():
            _take_participant(entries, shard, data, note)
        for _, note in shard.about_endpoints():
            sender = shard.prefix(note.way.sender)
            entry = entries[note.subject.prefix]
            entry.marks.append(note.first(shard.view))
            if sender not in (note.subject.prefix, *NO_PREFIXES):
                entries[sender].serves = True
    announced = _announced(shards, own)
    found = [
        _participant(prefix, entry, announced.get(prefix, ()))
        for prefix, entry in entries.items()
        if prefix not in NO_PREFIXES and (entry.courses or entry.marks)
    ]
    return tuple(sorted(found, key=lambda p: (p.first_heard, p.prefix)))


def _take_participant(entries: dict[bytes, _Entry], shard: Shard, data: ParticipantData, note: Note) -> None:
    subject, sender = note.subject.prefix, shard.prefix(note.way.sender)
    entry = entries[subject]
    first = note.first(shard.view)
    entry.marks.append(first)
    if sender not in (subject, *NO_PREFIXES):
        entry.relays.add(sender)
        entries[sender].serves = True
    if gone(data.status):
        entry.goodbye = first if entry.goodbye is None else min(entry.goodbye, first)
        return
    entry.described = first if entry.described is None else min(entry.described, first)
    if entry.data is None or note.last_ns >= entry.data_ns:
        entry.data, entry.data_ns = data, note.last_ns


def _participant(prefix: bytes, entry: _Entry, announced: Sequence[Announced]) -> Participant:
    data = entry.data or ParticipantData(None)
    vendors = Counter({c.vendor: c.every.count for c in entry.courses})
    vendor = data.vendor or (vendors.most_common(1)[0][0] if vendors else 0)
    domain, source = _domain(data, announced, entry.courses)
    firsts = [c.every.first for c in entry.courses] or entry.marks
    lasts = [c.every.last for c in entry.courses] or entry.marks
    return Participant(
        prefix=prefix,
        vendor=vendor,
        version=data.version,
        domain=domain,
        domain_source=source,
        domain_tag=data.domain_tag,
        name=data.name,
        properties=dict(data.properties),
        metatraffic_unicast=data.metatraffic_unicast,
        metatraffic_multicast=data.metatraffic_multicast,
        default_unicast=data.default_unicast,
        default_multicast=data.default_multicast,
        lease_ns=data.lease_ns if entry.data else None,
        builtin_endpoints=data.builtin_endpoints,
        secured=data.secured,
        unknown_parameters=data.unknown,
        described=entry.described,
        first_heard=min(firsts),
        last_heard=max(lasts),
        goodbye=entry.goodbye,
        announced=tuple(announced),
        sources=_sources(entry.courses),
        relayed_by=tuple(sorted(entry.relays)),
        serves=entry.serves,
    )


def _sources(courses: Iterable[Course]) -> tuple[str, ...]:
    counts: Counter[str] = Counter()
    for course in courses:
        counts[course.source] += course.every.count
    return tuple(address for address, _ in counts.most_common())


def _domain(
    data: ParticipantData, announced: Iterable[Announced], courses: Iterable[Course]
) -> tuple[int | None, DomainSource | None]:
    """The domain as said, else by multicast ports, else by unicast ports (DDSI-RTPS 2.5, 9.6.2.3)."""
    if data.domain is not None:
        return data.domain, DomainSource.PARAMETER
    courses = list(courses)
    groups = [a.port for a in announced if a.multicast]
    groups += [c.port for c in courses if c.multicast and c.discovery]
    groups += [locator.port for locator in data.metatraffic_multicast]
    for port in groups:
        for meaning in meanings(port):
            if meaning.index is None:
                return meaning.domain, DomainSource.MULTICAST_PORT
    single: list[Locator] = [*data.metatraffic_unicast, *data.default_unicast]
    for port in (locator.port for locator in single):
        if port < LINUX.first and (likely := meanings(port)) and likely[0].index is not None:
            return likely[0].domain, DomainSource.UNICAST_PORT
    return None, None


def _announced(shards: Sequence[Shard], own: Sequence[frozenset[str]]) -> dict[bytes, list[Announced]]:
    """Each participant's own announcements, by way."""
    gathered: dict[tuple[bytes, int, str, str, int, bool | None], _Announcing] = {}
    for shard in shards:
        for data, note in shard.about_participants():
            subject = note.subject.prefix
            if shard.prefix(note.way.sender) != subject or gone(data.status):
                continue
            source, target = shard.address(note.way.source), shard.address(note.way.target)
            outgoing = direction(note.way.outgoing, source, target, own[shard.view])
            key = (subject, shard.view, source, target, note.way.port, outgoing)
            entry = gathered.setdefault(key, _Announcing(note.way.multicast, note.ttl))
            entry.add(shard, note)
    found: dict[bytes, list[Announced]] = defaultdict(list)
    for (subject, view, source, target, port, outgoing), entry in gathered.items():
        tally, period = entry.result()
        found[subject].append(
            Announced(view, source, target, port, entry.multicast, outgoing, entry.ttl, tally, period)
        )
    return found


@dataclass(slots=True)
class _Announcing:
    """Announcements on ways that differ in the interface only: the busiest interface speaks for all."""

    multicast: bool
    ttl: int
    by_interface: dict[int, list[tuple[Tally, Note, Shard]]] = field(
        default_factory=lambda: defaultdict(list)
    )

    def add(self, shard: Shard, note: Note) -> None:
        self.by_interface[note.way.interface].append((note.tally(shard.view), note, shard))

    def result(self) -> tuple[Tally, Spread | None]:
        rows = max(self.by_interface.values(), key=lambda rows: sum(t.count for t, _, _ in rows))
        tally = merge_tallies([t for t, _, _ in rows])
        assert tally is not None  # an interface is there because a note is
        periods = [(note.period, shard) for _, note, shard in rows if note.period is not None]
        if not periods:
            return tally, None
        counts = np.sum([shard.folds.periods[p[0] - 1] for p, shard in periods], axis=0, keepdims=True)
        least, most = min(p[1] for p, _ in periods), max(p[2] for p, _ in periods)
        return tally, spreads(counts, np.ones(1, np.int64), np.array([least]), np.array([most]))[0]


@dataclass(slots=True)
class _EndpointEntry:
    data: EndpointData
    last_ns: int
    first: dict[int, Mark] = field(default_factory=dict)
    last: dict[int, Mark] = field(default_factory=dict)
    removed: Mark | None = None


def endpoints_said(shards: Sequence[Shard]) -> dict[Guid, _EndpointEntry]:
    """Every endpoint that was introduced or said goodbye to."""
    entries: dict[Guid, _EndpointEntry] = {}
    for shard in shards:
        for data, note in shard.about_endpoints():
            entry = entries.get(note.subject)
            if entry is None:
                entry = entries[note.subject] = _EndpointEntry(data, note.last_ns)
            first, last = note.first(shard.view), note.last(shard.view)
            if gone(data.status):
                entry.removed = first if entry.removed is None else min(entry.removed, first)
                continue
            if gone(entry.data.status) or note.last_ns >= entry.last_ns:
                entry.data, entry.last_ns = data, note.last_ns
            entry.first[shard.view] = min(entry.first.get(shard.view, first), first)
            entry.last[shard.view] = max(entry.last.get(shard.view, last), last)
    return entries


def endpoints_heard(samples: Iterable[Samples], dialogues: Iterable[Dialogue]) -> dict[Guid, Side]:
    """User endpoints that samples, heartbeats or acknowledgements show."""
    heard = {s.writer: Side.WRITER for s in samples}
    for d in dialogues:
        heard[d.writer] = Side.WRITER
        if d.acknacks is not None:
            heard[d.reader] = Side.READER
    return {
        guid: side
        for guid, side in heard.items()
        if guid.prefix not in NO_PREFIXES
        and not is_builtin(guid.entity)
        and (is_writer if side is Side.WRITER else is_reader)(guid.entity)
    }


def endpoints_of(
    said: dict[Guid, _EndpointEntry], heard: dict[Guid, Side], participants: Sequence[Participant]
) -> tuple[Endpoint, ...]:
    """Introduced endpoints, then those known by traffic only, by GUID."""
    places = {p.prefix: i for i, p in enumerate(participants)}
    found = []
    for guid, entry in sorted(said.items()):
        if guid.prefix in places:
            found.append(_introduced(guid, entry, places[guid.prefix]))
    for guid, side in sorted(heard.items()):
        if guid not in said and guid.prefix in places:
            found.append(
                Endpoint(guid, places[guid.prefix], side, None, None, None, None, (), (), (), (), None)
            )
    return tuple(found)


def _introduced(guid: Guid, entry: _EndpointEntry, participant: int) -> Endpoint:
    data = entry.data
    known = not gone(data.status)
    return Endpoint(
        guid=guid,
        participant=participant,
        side=data.side,
        topic=data.topic if known else None,
        type_name=data.type_name if known else None,
        type_information=data.type_information,
        qos=data.qos if known else None,
        unicast=data.unicast,
        multicast=data.multicast,
        unknown_parameters=data.unknown,
        introduced=tuple(entry.first[v] for v in sorted(entry.first)),
        removed=entry.removed,
        reintroduced=tuple(entry.last[v] for v in sorted(entry.last)),
    )
