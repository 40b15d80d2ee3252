"""Who has departed from a scan that goes on, and what of them need no longer be kept apart.

A scan of days meets more participants than its tables hold.  The latest departures are kept, since they are
what somebody who looks now asks about; of earlier ones a sum remains.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from toprung.observe.notes import Data, Note, gone
from toprung.observe.records import TALLY_WIDTH, CallField, SampleField, StreamField
from toprung.observe.shards import Shard
from toprung.observe.sifting import Kept, Mask, sift, upper
from toprung.observe.tables import LOW, Array, Table
from toprung.wire.announcements import DEFAULT_LEASE_NS, ParticipantData

MOST_DEPARTED = 32  # that are kept apart
STALE_NS = DEFAULT_LEASE_NS  # traffic to a place that nobody announces is over after this time
FULL = 0.5  # of a table
MORE = 64  # further participants, before somebody looks for departed ones again


@dataclass(frozen=True, slots=True)
class Rest:
    """What remains of the departed: sums."""

    participants: int = 0
    datagrams: int = 0
    bytes: int = 0
    samples: int = 0

    def __add__(self, other: Rest) -> Rest:
        return Rest(
            self.participants + other.participants,
            self.datagrams + other.datagrams,
            self.bytes + other.bytes,
            self.samples + other.samples,
        )


@dataclass(slots=True)
class _Life:
    """One participant as far as its end needs to be known."""

    heard_ns: int = 0
    lease_ns: int = DEFAULT_LEASE_NS
    goodbye_ns: int = 0
    likeness: tuple[object, ...] = ()  # equal in the lives of one program

    def departed_ns(self, now_ns: int) -> int:
        """When it departed; 0: it is still here."""
        if self.goodbye_ns >= self.heard_ns > 0:
            return self.goodbye_ns
        end = self.heard_ns + self.lease_ns
        return end if end < now_ns else 0


def is_crowded(shard: Shard, known: int) -> bool:
    """Whether it is time to look for departed participants; `known`: how many the last look left."""
    folds = shard.folds
    tables = (folds.samples, folds.talk, folds.streams, folds.calls)
    if any(table.used > FULL * len(table.words) for table in tables):
        return True
    return int(shard.tables.prefix_keys.count) > known + MORE


def retire(shard: Shard) -> Rest:
    """Forget all departed participants but the latest, and traffic to where nobody is any more."""
    shard.tables.grow()
    now_ns = int(shard.folds.streams.record[:, StreamField.ANY + 4].max(initial=0))
    notes = tuple(shard.notes.all(shard.folds))
    lives = _lives(shard, notes)
    ends = {prefix: end for prefix, life in lives.items() if (end := life.departed_ns(now_ns))}
    departed = _in_turn(lives, ends)[: max(0, len(ends) - MOST_DEPARTED)]
    forgotten = frozenset(departed)
    numbers: Mask = np.array([prefix in forgotten for prefix in shard.tables.prefixes], np.bool_)
    kept = Kept(shard.folds)
    _drop_descriptions(shard, kept, notes, forgotten)
    here = [n.data for n in notes if n.subject.prefix not in forgotten and not gone(n.data.status)]
    said = kept.calls.copy()
    _drop_stale(shard, kept, here, now_ns - STALE_NS)
    _keep_one_of_each(shard, kept, said & ~numbers[upper(shard.folds.calls, 1)])
    kept.streams &= ~numbers[upper(shard.folds.streams, 0)]
    kept.samples &= ~numbers[upper(shard.folds.samples, 0)]
    rest = _sum(shard, kept, len(departed))
    sift(shard, numbers, kept)
    return rest


def _lives(shard: Shard, notes: Iterable[Note]) -> dict[bytes, _Life]:
    prefixes = shard.tables.prefixes
    heard = np.zeros(len(prefixes), np.int64)
    np.maximum.at(heard, upper(shard.folds.streams, 0), shard.folds.streams.record[:, StreamField.ANY + 4])
    lives = {prefix: _Life(ns) for prefix, ns in zip(prefixes, heard.tolist(), strict=True) if prefix}
    for note in notes:
        life = lives.setdefault(note.subject.prefix, _Life())
        life.heard_ns = max(life.heard_ns, note.last_ns)
        if isinstance(note.data, ParticipantData):
            if gone(note.data.status):
                life.goodbye_ns = max(life.goodbye_ns, note.last_ns)
            else:
                life.lease_ns = note.data.lease_ns
                places = {locator.address for locator in note.data.default_unicast}
                life.likeness = note.data.name, *sorted(places)
    return lives


def _in_turn(lives: Mapping[bytes, _Life], ends: Mapping[bytes, int]) -> list[bytes]:
    """Who is forgotten first: earlier lives of what lived again, then the longest departed."""
    latest: dict[tuple[object, ...], int] = {}
    for life in lives.values():
        latest[life.likeness] = max(life.heard_ns, latest.get(life.likeness, 0))
    return sorted(ends, key=lambda p: (lives[p].heard_ns == latest[lives[p].likeness], ends[p]))


def _drop_descriptions(shard: Shard, kept: Kept, notes: Iterable[Note], forgotten: frozenset[bytes]) -> None:
    """What others (a server) say of the departed."""
    about = {n.said for n in notes if n.subject.prefix in forgotten and n.said}
    if about:
        kept.calls &= ~np.isin(
            shard.folds.calls.words[: shard.folds.calls.used, 0], np.array(list(about), np.uint64)
        )


def _drop_stale(shard: Shard, kept: Kept, here: Iterable[Data], before_ns: int) -> None:
    """Old unicast to ports that nobody who is here announces: whoever listened there has departed."""
    folds = shard.folds
    open_ = _places(shard, here)
    for table, mask, word, last, multicast in (
        (folds.streams, kept.streams, 1, StreamField.ANY + 4, StreamField.MULTICAST),
        (folds.samples, kept.samples, None, SampleField.LAST_NS, SampleField.MULTICAST),
        (folds.calls, kept.calls, 2, CallField.LAST_NS, CallField.MULTICAST),
    ):
        old = (table.record[:, last] < before_ns) & (table.record[:, multicast] == 0)
        mask &= ~(old & ~np.isin(_destinations(table, word), open_))


def _keep_one_of_each(shard: Shard, kept: Kept, said: Mask) -> None:
    """Whatever was said stays known, by its latest row, even if nobody is left whom it was said to."""
    hashes = shard.folds.calls.words[: len(said), 0]
    lost = np.flatnonzero(said & ~np.isin(hashes, hashes[kept.calls]))
    by_age = lost[np.argsort(shard.folds.calls.record[lost, CallField.LAST_NS], kind="stable")]
    latest = dict(zip(hashes[by_age].tolist(), by_age.tolist(), strict=True))
    kept.calls[list(latest.values())] = True


def _destinations(table: Table, word: int | None) -> Array:
    """Address number and port of every row, as the tables' keys hold them: address << 16 | port."""
    words = table.words[: table.used]
    if word == 1:  # streams: address << 32 | port
        return (words[:, 1] >> np.uint64(32) << np.uint64(16)) | (words[:, 1] & np.uint64(0xFFFF))
    if word == 2:  # calls: address << 40 | port << 24 | ...
        return (words[:, 2] >> np.uint64(40) << np.uint64(16)) | (
            words[:, 2] >> np.uint64(24) & np.uint64(0xFFFF)
        )
    return (words[:, 1] & LOW) << np.uint64(16) | words[:, 2] >> np.uint64(32)  # samples


def _places(shard: Shard, here: Iterable[Data]) -> Array:
    number = {address: i for i, address in enumerate(shard.tables.addresses)}
    found = {number[a] << 16 | p & 0xFFFF for data in here for a, p in _locators(data) if a in number}
    return np.array(sorted(found), np.uint64)


def _locators(data: Data) -> Iterator[tuple[str, int]]:
    listed = (
        (data.metatraffic_unicast, data.default_unicast)
        if isinstance(data, ParticipantData)
        else (data.unicast,)
    )
    return ((locator.address, locator.port) for locators in listed for locator in locators)


def _sum(shard: Shard, kept: Kept, participants: int) -> Rest:
    streams = shard.folds.streams.record[~kept.streams]
    tally = streams[:, StreamField.ANY : StreamField.ANY + TALLY_WIDTH].sum(axis=0)
    samples = shard.folds.samples.record[~kept.samples][:, SampleField.WHOLE].sum()
    return Rest(participants, int(tally[0]), int(tally[1]), int(samples))
