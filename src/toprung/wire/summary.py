"""What a scan saw besides rows, and how the parts of one capture add up."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from toprung.wire.link import LINK_TYPES
from toprung.wire.notices import NeighbourSeen, NoticeSeen

Row = TypeVar("Row", NoticeSeen, NeighbourSeen)


@dataclass(frozen=True, slots=True)
class ScanSummary:
    """Complete after the last block."""

    packets: int
    first_ns: int  # capture time of the earliest and the latest packet; 0: none
    last_ns: int
    link_types: tuple[str, ...]
    datagrams: int  # RTPS messages
    submessages: int
    malformed: dict[str, int]  # words of `toprung.wire.faults` -> count
    unreadable: int  # secured submessages
    short: int  # packets captured shorter than sent
    headless: int  # fragmented datagrams let go without their first fragment: nobody can say whose
    tail: str | None  # why reading ended early, with the place
    notices: tuple[NoticeSeen, ...]
    neighbours: tuple[NeighbourSeen, ...]


def link_name(number: int) -> str:
    """A link type in plain words."""
    return LINK_TYPES[number].name if number in LINK_TYPES else f"unknown link type {number}"


def total(parts: Sequence[ScanSummary]) -> ScanSummary:
    """The summary of one capture from those of its parts, in order; packet numbers become the capture's."""
    read = [part for part in parts if part.packets]
    malformed: dict[str, int] = {}
    for part in parts:
        for words, count in part.malformed.items():
            malformed[words] = malformed.get(words, 0) + count
    return ScanSummary(
        packets=sum(part.packets for part in parts),
        first_ns=min((part.first_ns for part in read), default=0),
        last_ns=max((part.last_ns for part in read), default=0),
        link_types=tuple(dict.fromkeys(link for part in parts for link in part.link_types)),
        datagrams=sum(part.datagrams for part in parts),
        submessages=sum(part.submessages for part in parts),
        malformed=malformed,
        unreadable=sum(part.unreadable for part in parts),
        short=sum(part.short for part in parts),
        headless=sum(part.headless for part in parts),
        tail=next((part.tail for part in parts if part.tail), None),
        notices=_together((part.packets, part.notices) for part in parts),
        neighbours=_together((part.packets, part.neighbours) for part in parts),
    )


def _together(parts: Iterable[tuple[int, tuple[Row, ...]]]) -> tuple[Row, ...]:
    """One row for each key; every part comes with the number of its packets."""
    rows: dict[tuple[object, ...], Row] = {}
    before = 0
    for packets, part in parts:
        for row in part:
            seen = replace(
                row.seen,
                first_packet=row.seen.first_packet + before,
                last_packet=row.seen.last_packet + before,
            )
            known = rows.get(row.key)
            if known is None:
                rows[row.key] = replace(row, seen=seen)
            else:
                known.seen.count += seen.count
                known.seen.bytes += seen.bytes
                known.seen.last_ns, known.seen.last_packet = seen.last_ns, seen.last_packet
        before += packets
    return tuple(rows.values())
