"""Datagrams to nouns: streams, load over time, and which addresses are the capturing machine's own."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from toprung.model.picture import Load, Participant, Stream, Tally
from toprung.observe.records import StreamField
from toprung.observe.shards import WAYS, Shard, merge_tallies, tally_of


@dataclass(frozen=True, slots=True)
class Course:
    """Datagrams of one sender from one address to another, on one interface in one direction, in one view."""

    view: int
    prefix: bytes
    source: str
    destination: str
    port: int
    interface: int
    outgoing: bool | None  # as the link type tells
    multicast: bool
    every: Tally
    discovery: Tally | None
    data: Tally | None
    fragmented: Tally | None
    incomplete: Tally | None
    largest_bytes: int
    ttl: int
    vendor: int
    pieces: int

    @property
    def key(self) -> tuple[int, bytes, str, str, int, bool | None, int]:
        """What makes it one, across the parts of a capture."""
        return (
            self.view,
            self.prefix,
            self.source,
            self.destination,
            self.port,
            self.outgoing,
            self.interface,
        )


_TALLIES = (
    StreamField.ANY,
    StreamField.DISCOVERY,
    StreamField.DATA,
    StreamField.FRAGMENTED,
    StreamField.INCOMPLETE,
)


def courses_of(shards: Iterable[Shard]) -> list[Course]:
    """Every course, the parts of one capture put together, in the order of their first datagrams."""
    merged: dict[tuple[object, ...], Course] = {}
    for shard in shards:
        for course in _courses(shard):
            known = merged.get(course.key)
            merged[course.key] = course if known is None else _joined(known, course)
    return sorted(merged.values(), key=lambda c: c.every.first)


def _courses(shard: Shard) -> Iterable[Course]:
    table = shard.folds.streams
    keys = table.halves((0, 1), (0, 0), (1, 1), (1, 0), (2, 0))
    for record, prefix, source, target, port, way in zip(table.record.tolist(), *keys, strict=True):
        every, discovery, data, fragmented, incomplete = (
            tally_of(shard.view, record[at : at + 6]) for at in _TALLIES
        )
        assert every is not None  # a record exists because a datagram was counted
        yield Course(
            view=shard.view,
            prefix=shard.prefix(prefix),
            source=shard.address(source),
            destination=shard.address(target),
            port=port,
            interface=way >> 2,
            outgoing=WAYS[way & 3],
            multicast=bool(record[StreamField.MULTICAST]),
            every=every,
            discovery=discovery,
            data=data,
            fragmented=fragmented,
            incomplete=incomplete,
            largest_bytes=record[StreamField.LARGEST],
            ttl=record[StreamField.TTL],
            vendor=record[StreamField.VENDOR],
            pieces=record[StreamField.PIECES],
        )


def _joined(one: Course, other: Course) -> Course:
    """Two parts of one course."""

    def both(name: str) -> Tally | None:
        return merge_tallies([t for t in (getattr(one, name), getattr(other, name)) if t is not None])

    every = both("every")
    assert every is not None
    return Course(
        view=one.view,
        prefix=one.prefix,
        source=one.source,
        destination=one.destination,
        port=one.port,
        interface=one.interface,
        outgoing=one.outgoing,
        multicast=one.multicast or other.multicast,
        every=every,
        discovery=both("discovery"),
        data=both("data"),
        fragmented=both("fragmented"),
        incomplete=both("incomplete"),
        largest_bytes=max(one.largest_bytes, other.largest_bytes),
        ttl=other.ttl,
        vendor=other.vendor,
        pieces=one.pieces + other.pieces,
    )


def on_one_interface(courses: Iterable[Course]) -> list[Course]:
    """Of courses that differ in nothing but the interface (a multicast sent on several) the busiest."""
    best: dict[tuple[object, ...], Course] = {}
    for course in courses:
        key = course.key[:-1]
        if key not in best or best[key].every.count < course.every.count:
            best[key] = course
    return list(best.values())


def direction(course_way: bool | None, source: str, target: str, own: frozenset[str]) -> bool | None:
    """Whether the capturing machine sent it: what the link type tells, else by its own addresses."""
    if course_way is not None or not own:
        return course_way
    if source in own:
        return True
    return False if target in own or source else None


def loads_of(shards: Sequence[Shard], own: Sequence[frozenset[str]]) -> tuple[Load, ...]:
    """The load at each capturing machine whose own addresses are known."""
    by_view: dict[int, list[Shard]] = defaultdict(list)
    for shard in shards:
        by_view[shard.view].append(shard)
    return tuple(
        load
        for view, parts in by_view.items()
        if own[view] and (load := _load(view, parts, own[view])) is not None
    )


def _load(view: int, parts: Sequence[Shard], own: frozenset[str]) -> Load | None:
    clocks = [(shard, *shard.folds.clock()) for shard in parts if shard.folds.lane_keys.used]
    if not clocks:
        return None
    start = min(start_ns for _, start_ns, _ in clocks)
    last = max(start_ns + _used_bins(shard) * bin_ns for shard, start_ns, bin_ns in clocks)
    width = max(bin_ns for _, _, bin_ns in clocks)
    sums = np.zeros((2, (last - start) // width + 1, 4), np.int64)  # in, out
    for shard, start_ns, bin_ns in clocks:
        lanes = shard.folds.lanes[: shard.folds.lane_keys.used].astype(np.int64)
        place = (start_ns - start + np.arange(_used_bins(shard)) * bin_ns) // width
        for lane, (source, way, _) in enumerate(lanes.tolist()):
            told = WAYS[way]
            outgoing = shard.address(source) in own if told is None else told
            np.add.at(sums[int(outgoing)], place, shard.folds.loads[lane, : len(place)])
    inward, outward = (side.T.tolist() for side in sums)
    return Load(
        view,
        start,
        width,
        tuple(inward[0]),
        tuple(outward[0]),
        tuple(inward[1]),
        tuple(outward[1]),
        tuple(inward[3]),
        tuple(outward[3]),
    )


def _used_bins(shard: Shard) -> int:
    used = shard.folds.loads[:, :, (0, 2)].any(axis=(0, 2))
    return int(np.flatnonzero(used)[-1]) + 1 if used.any() else 1


def streams_of(
    courses: Iterable[Course], own: Sequence[frozenset[str]], participants: Sequence[Participant]
) -> tuple[Stream, ...]:
    """Courses as the picture has them."""
    places = {p.prefix: i for i, p in enumerate(participants)}
    return tuple(
        Stream(
            view=c.view,
            participant=places[c.prefix],
            source=c.source,
            destination=c.destination,
            port=c.port,
            multicast=c.multicast,
            outgoing=direction(c.outgoing, c.source, c.destination, own[c.view]),
            ttl=c.ttl,
            discovery=c.discovery,
            data=c.data,
            fragmented=c.fragmented,
            incomplete=c.incomplete,
            largest_bytes=c.largest_bytes,
            pieces=c.pieces,
        )
        for c in on_one_interface(courses)
        if c.prefix in places
    )
