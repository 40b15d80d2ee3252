"""One capture -> blocks of columns, in constant memory.

    scan = Scan(buffer)
    for block in scan.blocks():
        fold(block)
    scan.summary

A block's arrays are used again for the next one: copy what you keep.  Malformed bytes never raise: they
are counted by kind in `ScanSummary.malformed`.  CaptureError is raised only where the capture as a
container cannot be read on.  Knows nothing of files, sockets or clocks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from toprung.errors import CaptureError
from toprung.wire import _datagrams, _fragments, _submessages
from toprung.wire.block import MAX_KEYS, Block, Rows, Tables
from toprung.wire.capture import GIGANTIC, MORE, SPECIAL, Container
from toprung.wire.columns import MESSAGE_COLUMNS, SUBMESSAGE_COLUMNS, Column
from toprung.wire.faults import Fault
from toprung.wire.ids import Sub
from toprung.wire.link import LINK_TYPES
from toprung.wire.notices import ARP, NeighbourSeen, Notices, NoticeSeen, Seen
from toprung.wire.source import Octets, Source

RECORDS = 4096  # packets a block
PLACES = 512  # unfinished datagrams that are kept at a time; 64 KiB each at most
SUBMESSAGES = 1 << 15  # rows; the largest datagram holds 16,376
NEIGHBOURS = 4096

INNER_COLUMNS = (
    Column("begin", "i8", "offset of the UDP payload"),
    Column("room", "u4", "octets of it that are there"),
    Column("ip_id", "u4", "IP identification"),
    Column("piece", "i4", "IP fragment: 2 * its place + more-fragments; -1: whole"),
)
ASIDE_COLUMNS = (("row", "u4"), ("kind", "i4"), ("at", "i8"), ("end", "i8"), ("source", "u4"))
NEIGHBOUR_COLUMNS = (
    ("mac", "u8"), ("address", "u4"), ("before", "i4"), ("count", "u8"), ("bytes", "u8"),
    ("first_ns", "i8"), ("last_ns", "i8"), ("first", "u4"), ("last", "u4"),
)  # fmt: skip
PLACE_COLUMNS = (
    ("state", "u1"), ("source", "u4"), ("target", "u4"), ("id", "u4"), ("interface", "u2"), ("flags", "u1"),
    ("ttl", "u1"), ("first_ns", "i8"), ("last_ns", "i8"), ("first_at", "i8"), ("packet", "u4"), ("total", "i4"),
    ("cut", "i4"), ("units", "i4"), ("high", "i4"), ("wire", "u4"), ("pieces", "u4"), ("next", "i4"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ScanSummary:
    """What a scan saw besides rows; complete after the last block."""

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


class Scan:
    """One capture being read.

    chunks: the whole capture as one buffer, or buffers that follow each other (each may be reused by its
    maker as soon as the next is asked for).  label: how errors name the capture.  progress: called with
    the bytes read so far, once a block.
    """

    def __init__(
        self,
        chunks: Octets | Iterable[Octets],
        *,
        label: str = "capture",
        progress: Callable[[int], None] | None = None,
    ) -> None:
        self.label = label
        self.tables = Tables()
        self._progress = progress
        self._source = Source(chunks)
        self._container = Container(label, RECORDS)
        self._faults = np.zeros(len(Fault), "u8")
        self._notices = Notices()
        self._packets = self._datagrams_seen = self._submessages_seen = 0
        self._first_ns, self._last_ns = (1 << 63) - 1, -1
        self._tail: str | None = None
        self._joined = memoryview(bytearray(0))
        self._build()

    def _build(self) -> None:
        """Arrays and the kernels that share them."""
        rows = RECORDS + PLACES
        self._messages = Rows(MESSAGE_COLUMNS + INNER_COLUMNS, rows)
        self._submessages = Rows(SUBMESSAGE_COLUMNS, SUBMESSAGES)
        self._asides = {name: np.zeros(RECORDS, dtype) for name, dtype in ASIDE_COLUMNS}
        self._neighbours = {name: np.zeros(NEIGHBOURS, dtype) for name, dtype in NEIGHBOUR_COLUMNS}
        self._neighbours["latest"] = np.full(MAX_KEYS, -1, "i4")
        places = {name: np.zeros(PLACES, dtype) for name, dtype in PLACE_COLUMNS}
        places["heads"] = np.full(2 * PLACES, -1, "i4")
        messages, faults, keys = self._messages.views(), memoryview(self._faults), self.tables.address_keys
        self._datagrams: Any = _datagrams.Datagrams(
            _views(self._container.columns), messages, _views(self._asides), _views(self._neighbours), keys, faults
        )
        store = memoryview(np.zeros(PLACES << 16, "u1")), memoryview(np.zeros(PLACES << 13, "u1"))
        self._fragments: Any = _fragments.Fragments(messages, _views(places), store[1], store[0], faults)
        self._decoder: Any = _submessages.Submessages(
            messages, self._submessages.views(), _kinds(), keys, self.tables.prefix_keys, faults
        )
        self._block = Block(
            self._messages, self._submessages, self._messages.arrays["begin"], self._messages.arrays["room"]
        )

    def blocks(self) -> Iterator[Block]:
        """The capture, block by block; may be called once.

        Raises CaptureError: empty, not a capture, an unknown link type, impossible lengths.
        """
        source, container = self._source, self._container
        at = source.more(0, 24) or 0
        at = container.open(source.view[at : min(source.end, at + 24)])
        self._datagrams.declare(container.framing)
        while True:
            container.attach(source.view)
            here = container.fill(source.view, at, source.end)
            yield from self._read(source.view)
            at, status = here, container.records.status
            if self._progress is not None:
                self._progress(source.base + at)
            if status == SPECIAL:
                after = container.special(source.view, at, source.end, source.base + at)
                if after is not None:
                    at = after
                    self._datagrams.declare(container.framing)
                    continue
            container.complain(source.base + at, self._packets)
            if status in (MORE, SPECIAL):
                moved = source.more(at, source.end - at + 1)
                if moved is None:
                    self._ends(at)
                    break
                at = moved
        yield from self._finish()

    def _ends(self, at: int) -> None:
        left = self._source.end - at
        if left:
            self._tail = (
                f"the capture ends inside packet {self._packets + 1}, which begins at byte {self._source.base + at}: "
                f"{left} bytes of it are there"
            )

    def _read(self, view: memoryview) -> Iterator[Block]:
        """Decode the records that the container holds."""
        count = self._container.records.count
        self._faults[Fault.INTERFACE] += self._container.records.undeclared
        if not count:
            return
        times = self._container.columns["time_ns"][:count]
        self._first_ns = min(self._first_ns, int(times.min()))
        self._last_ns = max(self._last_ns, int(times.max()))
        self._datagrams.run(view, count, self._packets)
        rows = self._datagrams.count
        if self._datagrams.pieces or self._fragments.waiting():
            rows = self._join(view, rows)
        self._packets += count
        if self._datagrams.asides:
            self._listen(view)
        yield from self._decode(view, rows)

    def _join(self, view: memoryview, rows: int) -> int:
        pieces = self._messages.piece[:rows] >= 0
        self._make_room(int(self._messages.room[:rows][pieces].sum(dtype="i8")))
        return int(self._fragments.run(view, self._joined, rows, False))

    def _make_room(self, pieces: int) -> None:
        needed = self._fragments.held() + pieces
        if needed > len(self._joined):
            self._joined = memoryview(np.zeros(max(needed, 1 << 20), "u1"))

    def _decode(self, view: memoryview, rows: int) -> Iterator[Block]:
        first = 0
        while first < rows:
            done = self._decoder.run(view, self._joined, first, rows)
            if first:
                self._messages.shift(first, rows)
                rows, done, first = rows - first, done - first, 0
            self.tables.grow()
            self._datagrams_seen += done
            self._submessages_seen += self._decoder.count
            self._block.fill(view, self._joined, done, self._decoder.count)
            yield self._block
            first = done

    def _finish(self) -> Iterator[Block]:
        self._make_room(0)
        rows = self._fragments.finish(self._joined, 0, 1 << 62)
        yield from self._decode(self._source.view, rows)

    def _listen(self, view: memoryview) -> None:
        """Hand ARP and ICMP to the notices."""
        self.tables.grow()
        records, asides = self._container.columns, self._asides
        for i in range(self._datagrams.asides):
            row, kind = int(asides["row"][i]), int(asides["kind"][i])
            body = bytes(view[int(asides["at"][i]) : int(asides["end"][i])][:256])
            size, captured = int(records["length"][row]), int(records["captured"][row])
            packet = self._packets - self._container.records.count + row + 1
            source = "" if kind == ARP else self.tables.addresses[int(asides["source"][i])]
            time_ns = int(records["time_ns"][row])
            self._notices.add(kind, body, source, size, time_ns, packet, captured < size)

    @property
    def summary(self) -> ScanSummary:
        """What was seen so far."""
        faults = self._faults.copy()
        faults[Fault.CROWD] += self.tables.address_keys.refused + self.tables.prefix_keys.refused
        faults[Fault.ARP_ICMP] += self._notices.short
        return ScanSummary(
            packets=self._packets,
            first_ns=self._first_ns if self._packets else 0,
            last_ns=self._last_ns if self._packets else 0,
            link_types=tuple(_link_name(link) for link in self._container.all_links),
            datagrams=self._datagrams_seen,
            submessages=self._submessages_seen,
            malformed={fault.words: int(faults[fault]) for fault in Fault if faults[fault]},
            unreadable=self._decoder.unreadable,
            short=self._datagrams.short,
            headless=self._fragments.headless,
            tail=self._tail,
            notices=tuple(self._notices.rows.values()),
            neighbours=tuple(self._neighbour(row) for row in range(self._datagrams.neighbours)),
        )

    def _neighbour(self, row: int) -> NeighbourSeen:
        n = self._neighbours
        hardware = int(n["mac"][row]).to_bytes(6, "big").hex(":")
        address = self.tables.addresses[int(n["address"][row])]
        numbers = (int(n[k][row]) for k in ("count", "bytes", "first_ns", "first", "last_ns", "last"))
        return NeighbourSeen(address, hardware, Seen(*numbers))


def _views(columns: dict[str, Any]) -> dict[str, memoryview]:
    return {name: memoryview(array) for name, array in columns.items()}


def _kinds() -> dict[str, memoryview]:
    """`Sub.least` and `Sub.entity` by submessage kind."""
    least, entity = np.zeros(256, "u2"), np.full(256, -1, "i1")
    for kind in Sub:
        least[kind], entity[kind] = kind.least, kind.entity
    return {"least": memoryview(least), "entity": memoryview(entity)}


def _link_name(link: int) -> str:
    return LINK_TYPES[link].name if link in LINK_TYPES else f"unknown link type {link}"
