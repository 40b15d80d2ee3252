"""One capture in several parts, for as many threads; and what their tables and summaries come to together.

scans = split(buffer, 2)
# each thread folds scans[k].blocks(); the kernels run without the interpreter's lock
united = unite([scan.tables for scan in scans])
summary = total([scan.summary for scan in scans])
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from toprung.wire.block import Tables
from toprung.wire.capture import PCAP_HEADER, Container
from toprung.wire.kernels import KERNELS, Kernels
from toprung.wire.scan import EVERYTHING, Scan, Span
from toprung.wire.source import Octets
from toprung.wire.stages import BATCH

LEAD = (
    1 << 22
)  # octets before a cut in which a datagram that straddles it may begin; twice that is read again
SMALLEST = 8 * LEAD  # captures below are not worth cutting
PROOF = 1 << 19  # octets that a chain of sound records must span: longer than any packet that could fake it
CHAIN = 64  # records that it must hold
LONGEST = 1 << 18  # octets of a packet in that chain: what capture programs take at most
DAY_NS = 86_400 * 10**9  # capture times in it do not jump further
SEARCHED = 1 << 20  # octets that are searched for a boundary

Step = Callable[[int], None]
Key = TypeVar("Key", str, bytes)


def split(
    buffer: Octets,
    parts: int,
    *,
    label: str = "capture",
    progress: Step | None = None,
    kernels: Kernels = KERNELS,
    smallest: int = SMALLEST,
) -> list[Scan]:
    """Scans of consecutive parts of one capture; together they yield the rows that one scan would.

    Cut at record boundaries that a chain of sound records proves, so each message is in exactly one part.
    Packet numbers count from each part's first packet: add the packets of the parts before (`total` does).
    A small capture, a pcapng (its interfaces must be read in order) or one without a provable boundary
    comes back in one part.  progress is called from every thread, with the part's offset in the capture.
    """
    view = memoryview(buffer).cast("B")
    cuts = [] if len(view) < smallest else _cuts(view, parts, label, kernels)
    if not cuts:
        return [Scan(view, label=label, progress=progress, kernels=kernels)]
    starts = [_Cut(PCAP_HEADER, 0, PCAP_HEADER), *cuts]
    stops = [*cuts, _Cut(EVERYTHING, EVERYTHING, EVERYTHING)]
    spans = [
        Span(start.lead, start.owned, start.begin, stop.begin, stop.owned)
        for start, stop in zip(starts, stops, strict=True)
    ]
    return [Scan(view, label=label, progress=progress, span=span, kernels=kernels) for span in spans]


@dataclass(frozen=True, slots=True)
class _Cut:
    """As in `Span`."""

    lead: int
    owned: int
    begin: int


def _cuts(view: memoryview, parts: int, label: str, kernels: Kernels) -> list[_Cut]:
    container = Container(label, BATCH, kernels)
    container.open(view[:PCAP_HEADER])
    if not container.fraction_ns:
        return []
    container.attach(view)
    cuts: list[_Cut] = []
    for k in range(1, parts):
        target = len(view) * k // parts
        lead = _boundary(view, container, max(PCAP_HEADER, target - 2 * LEAD))
        if lead is None:
            continue
        begin = _first_from(container, lead, target, len(view))
        if begin is not None and begin > (cuts[-1].begin if cuts else PCAP_HEADER):
            cuts.append(_Cut(lead, target - LEAD, begin))
    return cuts


def _boundary(view: memoryview, container: Container, at: int) -> int | None:
    """The first record boundary at or after `at` that is proven; None: there is none nearby."""
    if at == PCAP_HEADER:
        return at
    header = struct.Struct(container.order + "IIII")
    per_second = 10**9 // container.fraction_ns
    for candidate in range(at, min(at + SEARCHED, len(view) - header.size)):
        _, fraction, captured, length = header.unpack_from(view, candidate)
        if (
            fraction < per_second
            and captured <= length <= LONGEST
            and _proven(container, candidate, len(view))
        ):
            return candidate
    return None


def _proven(container: Container, at: int, end: int) -> bool:
    """Whether a chain of many sound records runs from `at` over PROOF octets, or to the very end."""
    begin, records, last_ns = at, 0, -1
    while at < end and (at < begin + PROOF or records < CHAIN):
        at = container.fill(at, end)
        count = container.records.count
        if not count:
            return False
        times = container.columns["time_ns"][:count]
        last_ns = int(times[0]) if last_ns < 0 else last_ns
        if int(container.columns["length"][:count].max()) > LONGEST or abs(times - last_ns).max() > DAY_NS:
            return False
        records, last_ns = records + count, int(times[-1])
    return True


def _first_from(container: Container, at: int, target: int, end: int) -> int | None:
    """The first record at or after `target`, walking from the boundary `at`."""
    while at < target:
        after = container.fill(at, end)
        count = container.records.count
        if not count:
            return None
        if after >= target:
            begins = container.columns["at"][:count] - 16
            later = begins[begins >= target]
            return int(later[0]) if len(later) else after
        at = after
    return at


@dataclass(frozen=True, slots=True)
class United:
    """The tables of several parts as one.  `address_of[part][index in its table]` is the index here."""

    addresses: list[str]
    prefixes: list[bytes]
    address_of: list[NDArray[np.uint32]]
    prefix_of: list[NDArray[np.uint32]]


def unite(tables: Sequence[Tables]) -> United:
    """Number the addresses and prefixes of several parts together, in order of the parts."""
    addresses: dict[str, int] = {"": 0}
    prefixes: dict[bytes, int] = {b"": 0}
    address_of = [_numbered(part.addresses, addresses) for part in tables]
    prefix_of = [_numbered(part.prefixes, prefixes) for part in tables]
    return United(list(addresses), list(prefixes), address_of, prefix_of)


def _numbered(keys: list[Key], known: dict[Key, int]) -> NDArray[np.uint32]:
    return np.array([known.setdefault(key, len(known)) for key in keys], "u4")
