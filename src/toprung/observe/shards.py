"""One scan's folds and notes, and what its numbers stand for."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from toprung.model.picture import Mark, Tally
from toprung.observe._fold import Rows
from toprung.observe.notes import Notes
from toprung.observe.tables import Folds

Array = npt.NDArray[Any]

WAYS: tuple[bool | None, ...] = (None, True, False, None)  # by the two direction bits of MessageFlag


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

    def feed(self, block: Any) -> None:
        """Fold one block (`toprung.wire.scan.Block`)."""
        rows = Rows(block.messages, block.submessages, block.n_messages, block.n_submessages)
        self.folds.feed(rows)
        self.notes.feed(block)

    def address(self, index: int) -> str:
        """An address of the scan's table."""
        found: str = self.tables.addresses[index]
        return found

    def prefix(self, index: int) -> bytes:
        """A GUID prefix of the scan's table; b"" for none."""
        found: bytes = self.tables.prefixes[index]
        return found


def tally_of(view: int, columns: Any) -> Tally | None:
    """Six columns of a record: count, bytes, first ns, first packet, last ns, last packet."""
    count, size, first_ns, first_packet, last_ns, last_packet = (int(c) for c in columns)
    if not count:
        return None
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
    return first.isdigit() and 224 <= int(first) <= 239 or address == "255.255.255.255"


def stacked(arrays: list[Array]) -> Array:
    """Arrays below each other; a single one as it is."""
    return arrays[0] if len(arrays) == 1 else np.concatenate(arrays)
