"""One scan's folds and notes, and what its numbers stand for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from toprung.model.picture import Mark, Tally
from toprung.observe._rows import Rows
from toprung.observe.gaps import listed_runs
from toprung.observe.notes import WAYS, Note, Notes
from toprung.observe.tables import Folds
from toprung.wire.discovery import EndpointData, ParticipantData

__all__ = ["WAYS", "Shard", "is_multicast", "merge_tallies", "tally_at", "tally_of"]


@dataclass(slots=True)
class Shard:
    """One scan, or one part of it: `view` is the place of its capture in the picture."""

    view: int
    label: str
    machine: str | None
    tables: Any  # toprung.wire.scan.Tables
    folds: Folds
    notes: Notes = field(default_factory=Notes)
    summary: Any = None  # toprung.wire.scan.ScanSummary, once all is read
    said: tuple[Note, ...] = ()  # every announcement, once all is read
    _bound: tuple[Any, Rows] | None = None

    def feed(self, block: Any) -> None:
        """Fold one block (`toprung.wire.scan.Block`)."""
        self.folds.feed(self._rows(block), listed_runs(block))
        self.announce(block)

    def announce(self, block: Any) -> None:
        """Fold one block's announcements only."""
        fresh = self.folds.announcements(self._rows(block), block._captured, block._joined)
        if fresh:
            self.notes.feed(block, fresh, self.folds)

    def _rows(self, block: Any) -> Rows:
        if self._bound is None or self._bound[0] is not block.messages:
            self._bound = (block.messages, Rows(block.messages, block.submessages))
        return self._bound[1].fill(block.n_messages, block.n_submessages)

    def close(self, summary: Any) -> None:
        """All is read."""
        self.summary = summary
        self.said = tuple(self.notes.all(self.folds))

    def about_participants(self) -> Iterator[tuple[ParticipantData, Note]]:
        """Announcements and goodbyes of participants."""
        return ((n.data, n) for n in self.said if isinstance(n.data, ParticipantData))

    def about_endpoints(self) -> Iterator[tuple[EndpointData, Note]]:
        """Introductions and goodbyes of endpoints."""
        return ((n.data, n) for n in self.said if isinstance(n.data, EndpointData))

    def address(self, index: int) -> str:
        """An address of the scan's table."""
        found: str = self.tables.addresses[index]
        return found

    def prefix(self, index: int) -> bytes:
        """A GUID prefix of the scan's table; b"" for none."""
        found: bytes = self.tables.prefixes[index]
        return found


def tally_of(view: int, columns: list[int]) -> Tally | None:
    """Six columns of a record: count, bytes, first ns, first packet, last ns, last packet."""
    return tally_at(view, columns, 0) if columns[0] else None


def tally_at(view: int, record: list[int], at: int) -> Tally:
    """The tally in six columns of a record from `at`, of what was seen at least once."""
    count, size, first_ns, first_packet, last_ns, last_packet = record[at : at + 6]
    return Tally(count, size, Mark(first_ns, view, first_packet), Mark(last_ns, view, last_packet))


def merge_tallies(tallies: list[Tally]) -> Tally | None:
    """All of them together."""
    if not tallies:
        return None
    return Tally(
        sum(t.count for t in tallies),
        sum(t.bytes for t in tallies),
        min(t.first for t in tallies),
        max(t.last for t in tallies),
    )


def is_multicast(address: str) -> bool:
    """Whether an IP address is a group's (RFC 5771, RFC 4291) or IPv4's limited broadcast."""
    if ":" in address:
        return address.lower().startswith("ff")
    first = address.partition(".")[0]
    return (first.isdigit() and 224 <= int(first) <= 239) or address == "255.255.255.255"
