"""Captures to a picture: one pass over each, in constant memory."""

from __future__ import annotations

import gc
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager

from toprung.model.picture import Mark, Neighbour, Notice, Picture, Tally, View
from toprung.observe.clocks import clocks_of
from toprung.observe.crossings import book_of, crossings_of, lag_s, passages
from toprung.observe.flows import flows_of
from toprung.observe.ownership import own_addresses
from toprung.observe.pipeline import fold_blocks
from toprung.observe.roster import endpoints_heard, endpoints_of, endpoints_said, participants_of
from toprung.observe.shards import Shard
from toprung.observe.tables import Folds
from toprung.observe.traffic import courses_of, loads_of, streams_of
from toprung.wire.notices import Seen
from toprung.wire.scan import Scan


def look(
    scans: Sequence[tuple[str | None, Scan]],
    *,
    known: Mapping[str, Collection[str]] | None = None,
    threads: int = 2,
) -> Picture:
    """Read every capture to its end and say what they show together.

    `scans`: for each capture the machine that took it, where the user said so, and its
    `toprung.wire.scan.Scan`.  `known`: the addresses that somebody declared for a machine; they help to tell
    a capture's own addresses where its link type does not.  `threads`: with two, long captures are read and
    folded at the same time.
    """
    shards = [
        fold(view, machine, scan, len(scans) > 1, threads) for view, (machine, scan) in enumerate(scans)
    ]
    with uncollected():
        return picture_of(shards, [machine for machine, _ in scans], known or {})


@contextmanager
def uncollected() -> Iterator[None]:
    """No search for garbage while a great many objects are made that all stay: it costs a quarter more."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def fold(view: int, machine: str | None, scan: Scan, crossing: bool, threads: int = 1) -> Shard:
    """One pass over one capture."""
    if not crossing:
        scan.leave_prints()
    shard = Shard(view, scan.label, machine, scan.tables, Folds(crossing))
    fold_blocks(shard, scan.blocks(), threads)
    shard.close(scan.summary)
    return shard


def picture_of(
    shards: Sequence[Shard], machines: Sequence[str | None], known: Mapping[str, Collection[str]]
) -> Picture:
    """The picture of what was folded."""
    courses = courses_of(shards)
    neighbours = tuple(n for shard in shards for n in neighbours_of(shard))
    spans = [(shard.summary.first_ns, shard.summary.last_ns) for shard in shards]
    book = book_of(shards, spans)
    own = own_addresses(
        machines, courses, neighbours, known, lambda one, other, address: lag_s(book, one, other, address)
    )
    samples, dialogues = flows_of(shards, own)
    said, heard = endpoints_said(shards), endpoints_heard(samples, dialogues)
    participants = participants_of(shards, courses, own)
    crossed = passages(book, own, machines)
    return Picture(
        views=tuple(_view(shard, own[shard.view]) for shard in shards),
        participants=participants,
        endpoints=endpoints_of(said, heard, participants),
        streams=streams_of(courses, own, participants),
        dialogues=dialogues,
        samples=samples,
        crossings=crossings_of(book, crossed),
        clocks=clocks_of(crossed),
        notices=tuple(n for shard in shards for n in notices_of(shard)),
        neighbours=neighbours,
        loads=loads_of(shards, own),
    )


def _view(shard: Shard, own: frozenset[str]) -> View:
    s = shard.summary
    malformed = dict(s.malformed)
    for why, count in shard.notes.malformed.items():
        malformed[why] = malformed.get(why, 0) + count
    if shard.folds.refused:
        malformed["more flows than are kept apart"] = shard.folds.refused
    return View(
        label=shard.label,
        machine=shard.machine,
        packets=s.packets,
        datagrams=s.datagrams,
        first_ns=s.first_ns,
        last_ns=s.last_ns,
        own_addresses=own,
        malformed=malformed,
        unreadable=s.unreadable,
        short=s.short,
        tail=s.tail,
        headless=s.headless,
    )


def notices_of(shard: Shard) -> list[Notice]:
    """What ARP and ICMP said."""
    return [
        Notice(shard.view, n.kind, n.source, n.about, n.port, _tally(shard.view, n.seen), n.hardware)
        for n in shard.summary.notices
    ]


def neighbours_of(shard: Shard) -> list[Neighbour]:
    """Link-layer addresses of IP sources."""
    return [
        Neighbour(shard.view, n.address, n.hardware, _tally(shard.view, n.seen))
        for n in shard.summary.neighbours
    ]


def _tally(view: int, seen: Seen) -> Tally:
    first = Mark(seen.first_ns, view, seen.first_packet)
    return Tally(seen.count, seen.bytes, first, Mark(seen.last_ns, view, seen.last_packet))
