"""The same datagrams in several views: what was lost on the way, how long it took, and how clocks differ."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from toprung.model.picture import Crossing, Mark
from toprung.observe.shards import Shard, is_multicast
from toprung.observe.spreads import spread_of
from toprung.wire.columns import MessageFlag

Array = npt.NDArray[Any]

GUARD_NS = 100_000_000  # at both ends of the common time: datagrams in flight, captures just starting
SAME_NS = 1_000_000_000  # identical datagrams further apart than this are not one datagram
MIX = np.uint64(0x9E3779B97F4A7C15)


@dataclass(frozen=True, slots=True)
class Prints:
    """What one view remembers of its datagrams, by time; addresses are numbers shared by all views."""

    mark: Array  # u8; equal for one datagram in all views
    time_ns: Array
    packet: Array
    source: Array
    target: Array
    flags: Array
    size: Array

    def where(self, chosen: Array) -> Prints:
        """Some of the rows."""
        return Prints(*(getattr(self, name)[chosen] for name in self.__slots__))

    def __len__(self) -> int:
        return len(self.mark)


@dataclass(frozen=True, slots=True)
class Book:
    """All views' prints, thinned alike, and the addresses that their numbers stand for."""

    views: tuple[Prints, ...]
    addresses: tuple[str, ...]
    numbers: dict[str, int]
    spans: tuple[tuple[int, int], ...]  # first and last packet of each view, ns


def book_of(shards: Sequence[Shard], spans: Sequence[tuple[int, int]]) -> Book:
    """Put together what the folds of all views remember."""
    numbers: dict[str, int] = {}
    level = max((shard.folds.remembered()[1] for shard in shards), default=0)
    rows: dict[int, list[Prints]] = defaultdict(list)
    for shard in shards:
        rows[shard.view].append(_prints(shard, numbers, level))
    views = []
    for view in range(len(spans)):
        parts = rows[view]
        whole = Prints(*(np.concatenate([getattr(p, name) for p in parts]) for name in Prints.__slots__))
        views.append(whole.where(np.argsort(whole.time_ns, kind="stable")))
    return Book(tuple(views), tuple(numbers), numbers, tuple(spans))


def _prints(shard: Shard, numbers: dict[str, int], level: int) -> Prints:
    used, _ = shard.folds.remembered()
    prints, columns = shard.folds.prints[:used], shard.folds.print_columns[:used]
    if level:
        chosen = (prints * MIX) >> np.uint64(64 - level) == 0
        prints, columns = prints[chosen], columns[chosen]
    shared = np.array([numbers.setdefault(a, len(numbers)) for a in shard.tables.addresses], np.int64)
    source, target, port = shared[columns[:, 2]], shared[columns[:, 3]], columns[:, 4] >> 8
    ways = (source << 40 | target << 16 | port).astype(np.uint64)
    return Prints(
        prints ^ (ways * MIX),
        columns[:, 0].copy(),
        columns[:, 1].copy(),
        source,
        target,
        columns[:, 4] & 0xFF,
        columns[:, 5].copy(),
    )


def lag_s(book: Book, one: int, other: int, address: str) -> float | None:
    """How much later (s) the view `other` sees what the address sends; median over what each saw once."""
    number = book.numbers.get(address)
    a, b = (v.where(v.source == number) for v in (book.views[one], book.views[other]))
    rows = unique_pairs(a, b)
    return middle(b.time_ns[rows[1]] - a.time_ns[rows[0]]) / 1e9 if len(rows[0]) else None


def middle(values: Array) -> float:
    """The median, upper one of two (NumPy's own loads a large module first)."""
    return float(np.sort(values)[len(values) // 2])


def unique_pairs(a: Prints, b: Prints) -> tuple[Array, Array]:
    """Rows of datagrams that are there exactly once in each."""
    singles = []
    for prints in (a, b):
        marks, first, count = np.unique(prints.mark, return_index=True, return_counts=True)
        singles.append((marks[count == 1], first[count == 1]))
    (marks_a, rows_a), (marks_b, rows_b) = singles
    _, at_a, at_b = np.intersect1d(marks_a, marks_b, assume_unique=True, return_indices=True)
    return rows_a[at_a], rows_b[at_b]


@dataclass(frozen=True, slots=True)
class Passage:
    """Datagrams of one view's machine that another view should show, and which of them it does."""

    sender: int
    receiver: int
    sent: Prints
    arrival: Array  # row in `seen`, -1: never
    seen: Prints

    @property
    def sent_ns(self) -> Array:
        """When the arrived ones were sent."""
        return self.sent.time_ns[self.arrival >= 0]

    @property
    def delay_ns(self) -> Array:
        """The receiver's clock less the sender's, of the arrived ones."""
        came = self.arrival >= 0
        return self.seen.time_ns[self.arrival[came]] - self.sent.time_ns[came]


def passages(
    book: Book, own: Sequence[frozenset[str]], machines: Sequence[str | None] | None = None
) -> list[Passage]:
    """Every pair of different machines' views that know their own addresses, each way.

    Multicast is looked for in every other view, also where no link joins the two.
    """
    labels = machines or [None] * len(own)
    found = []
    for sender, mine in enumerate(own):
        for receiver, theirs in enumerate(own):
            same = labels[sender] is not None and labels[sender] == labels[receiver]
            if sender != receiver and mine and not same and not mine & theirs:
                passage = _passage(book, sender, receiver, mine, theirs)
                if passage is not None:
                    found.append(passage)
    return found


def _passage(
    book: Book, sender: int, receiver: int, mine: frozenset[str], theirs: frozenset[str]
) -> Passage | None:
    sources = _numbers(book, mine)
    groups = np.array([n for a, n in book.numbers.items() if is_multicast(a)], np.int64)
    targets = np.concatenate((_numbers(book, theirs), groups))
    sent, seen = (
        v.where(
            np.isin(v.source, sources)
            & np.isin(v.target, targets)
            & (v.flags & (MessageFlag.INCOMPLETE | unwanted) == 0)
        )
        for v, unwanted in (
            (book.views[sender], MessageFlag.INCOMING),
            (book.views[receiver], MessageFlag.OUTGOING),
        )
    )
    offset = _offset(sent, seen)
    first, last = book.spans[receiver]
    shifted = sent.time_ns + offset
    sent = sent.where((shifted >= first + GUARD_NS) & (shifted <= last - GUARD_NS))
    if not len(sent):
        return None
    return Passage(sender, receiver, sent, arrivals(sent, seen, offset), seen)


def _numbers(book: Book, addresses: Iterable[str]) -> Array:
    return np.array([book.numbers[a] for a in addresses if a in book.numbers], np.int64)


def _offset(sent: Prints, seen: Prints) -> int:
    """About how much later (ns) the receiver's clock shows what the sender's shows; 0 where nothing tells."""
    rows = unique_pairs(sent, seen)
    if len(rows[0]):
        return int(middle(seen.time_ns[rows[1]] - sent.time_ns[rows[0]]))
    return 0


def arrivals(sent: Prints, seen: Prints, offset_ns: int) -> Array:
    """For each sent datagram the row at which it was seen, -1: never.

    Identical datagrams are matched in their order, but never over more than SAME_NS.
    """
    found = np.full(len(sent), -1, np.int64)
    order_a, order_b = (np.lexsort((p.time_ns, p.mark)) for p in (sent, seen))
    marks_a, marks_b = sent.mark[order_a], seen.mark[order_b]
    times_a, times_b = sent.time_ns[order_a] + offset_ns, seen.time_ns[order_b]
    starts = np.searchsorted(marks_b, marks_a, side="left")
    ends = np.searchsorted(marks_b, marks_a, side="right")
    alone = (ends - starts == 1) & (
        np.searchsorted(marks_a, marks_a, "right") - np.searchsorted(marks_a, marks_a) == 1
    )
    rows = np.flatnonzero(alone)
    found[order_a[rows]] = order_b[starts[rows]]
    following, mark = 0, None
    for i in np.flatnonzero(~alone & (ends > starts)).tolist():
        if marks_a[i] != mark:
            mark, following = marks_a[i], int(starts[i])
        while following < ends[i] and times_b[following] < times_a[i] - SAME_NS:
            following += 1
        if following < ends[i] and times_b[following] <= times_a[i] + SAME_NS:
            found[order_a[i]] = order_b[following]
            following += 1
    return found


def crossings_of(book: Book, found: Iterable[Passage]) -> tuple[Crossing, ...]:
    """Each passage by source, destination and whether the datagrams were fragmented."""
    crossings = []
    for passage in found:
        sent = passage.sent
        kind = sent.source << 33 | sent.target << 1 | (sent.flags & MessageFlag.FRAGMENTED != 0)
        for one in np.unique(kind).tolist():
            crossings.append(_crossing(book, passage, np.flatnonzero(kind == one)))
    return tuple(crossings)


def _crossing(book: Book, passage: Passage, rows: Array) -> Crossing:
    sent, arrival = passage.sent.where(rows), passage.arrival[rows]
    came = arrival >= 0
    lost = np.flatnonzero(~came)
    delays = passage.seen.time_ns[arrival[came]] - sent.time_ns[came]
    between = 0
    if len(lost):
        inside = (sent.time_ns > sent.time_ns[lost[0]]) & (sent.time_ns < sent.time_ns[lost[-1]])
        between = int(np.count_nonzero(came & inside))

    def mark(row: int) -> Mark:
        return Mark(int(sent.time_ns[row]), passage.sender, int(sent.packet[row]))

    destination = book.addresses[int(sent.target[0])]
    return Crossing(
        sender=passage.sender,
        receiver=passage.receiver,
        source=book.addresses[int(sent.source[0])],
        destination=destination,
        multicast=is_multicast(destination),
        fragmented=bool(sent.flags[0] & MessageFlag.FRAGMENTED),
        sent=len(sent),
        arrived=int(np.count_nonzero(came)),
        delay=spread_of(delays / 1e9),
        first_lost=mark(int(lost[0])) if len(lost) else None,
        last_lost=mark(int(lost[-1])) if len(lost) else None,
        largest_arrived_bytes=int(sent.size[came].max(initial=0)),
        smallest_lost_bytes=int(sent.size[lost].min()) if len(lost) else 0,
        between=between,
    )
