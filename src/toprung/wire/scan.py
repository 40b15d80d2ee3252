"""One capture -> blocks of columns, in constant memory.

    scan = Scan(buffer)
    for block in scan.blocks():
        fold(block)
    scan.summary

or, while a capture is still being taken, `for block in scan.feed(chunk)` with each new piece of it.  A
block's arrays are used again for the next one: copy what you keep.  Malformed bytes never raise: they are
counted by kind in `ScanSummary.malformed`.  CaptureError is raised only where the capture as a
container cannot be read on.  Knows nothing of files, sockets or clocks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from toprung.errors import CaptureError
from toprung.wire.block import Block, Tables
from toprung.wire.capture import MORE, PCAP_HEADER, SPECIAL, WANTED, Container
from toprung.wire.faults import Fault
from toprung.wire.kernels import KERNELS, Kernels
from toprung.wire.notices import Notices
from toprung.wire.source import Octets, Source
from toprung.wire.stages import BATCH, Stages
from toprung.wire.summary import ScanSummary, link_name

EVERYTHING = 1 << 62  # beyond any offset


@dataclass(frozen=True, slots=True)
class Span:
    """A part of a capture, in offsets of records.

    Packets in [lead, begin) belong to the part before; they are read for their IP fragments only, so that
    datagrams which straddle `begin` are joined.  A datagram that is unfinished at `begin` is this part's if
    its first piece stands at or after `owned`, else the part before lets it go; `handed_over` is the same
    line for the next part.
    """

    lead: int = 0
    owned: int = 0
    begin: int = 0
    end: int = EVERYTHING
    handed_over: int = EVERYTHING


class Scan:
    """One capture (or a part of one) being read.

    chunks: the whole capture as one buffer, or buffers that follow each other (each may be reused by its
    maker as soon as the next is asked for).  label: how errors name the capture.  progress: called with
    the bytes read so far, once a block.  In a part, packet numbers count from the part's first packet.
    """

    def __init__(
        self,
        chunks: Octets | Iterable[Octets],
        *,
        label: str = "capture",
        progress: Callable[[int], None] | None = None,
        span: Span | None = None,
        kernels: Kernels = KERNELS,
    ) -> None:
        self.label = label
        self.tables = Tables(kernels)
        self.progress = progress
        self._span = span
        self._source = Source(chunks)
        self._container = Container(label, BATCH, kernels)
        self._stages = Stages(self._container, self.tables, kernels)
        self._notices = Notices()
        self._tail: str | None = None
        self._at = 0
        self._opened = False

    def leave_prints(self) -> None:
        """Make no fingerprints: a capture alone has no other to be matched with.  The column stays 0."""
        self._stages.pipeline.printing = False

    def blocks(self) -> Iterator[Block]:
        """The capture, block by block; may be called once.

        Raises CaptureError: empty, not a capture, an unknown link type, impossible lengths.
        """
        source = self._source
        self._at = source.more(0, PCAP_HEADER) or 0
        if source.cut and source.end == 0:
            raise CaptureError(source.cut, self.label, WANTED)
        self._open()
        if self._span is not None:
            self._lead_in(self._span)
            self._at, source.end = self._span.begin, min(self._span.end, source.end)
        while True:
            yield from self._whole()
            where, left = source.base + self._at, source.end - self._at
            moved = source.more(self._at, left + 1)
            if moved is None:
                self._ends(where, left)
                break
            self._at = moved
        limit = self._span.handed_over if self._span else EVERYTHING
        yield from self._stages.finish(source.view, limit)

    def feed(self, chunk: Octets) -> Iterator[Block]:
        """Instead of `blocks`, for a capture that is still growing: the blocks of all packets that are whole
        with this chunk, which follows those fed before.  To be exhausted before the next call.

        Raises CaptureError as `blocks`.
        """
        self._at = self._source.add(self._at, chunk)
        if not self._opened:
            if self._source.end - self._at < PCAP_HEADER:
                return
            self._open()
        yield from self._whole()

    def rest(self) -> Iterator[Block]:
        """What is left at the end of a capture that was fed: datagrams that never were whole."""
        source = self._source
        if not self._opened:
            self._open()
        self._ends(source.base + self._at, source.end - self._at)
        yield from self._stages.finish(source.view, EVERYTHING)

    def _open(self) -> None:
        source = self._source
        self._at = self._container.open(source.view[self._at : min(source.end, self._at + PCAP_HEADER)])
        self._opened = True
        self._stages.datagrams.declare(self._container.framing)

    def _whole(self) -> Iterator[Block]:
        """The blocks of all packets that are whole in the window."""
        source, container = self._source, self._container
        while True:
            self._at = self._stages.read(source.view, self._at, source.end)
            self._listen(source.view)
            yield from self._stages.blocks(source.view)
            if self.progress is not None:
                self.progress(source.base + self._at)
            status = self._stages.pipeline.status
            container.complain(status, source.base + self._at, self._packets)
            if status == SPECIAL:
                after = container.special(source.view, self._at, source.end, source.base + self._at)
                if after is None:
                    return
                self._at = after
                self._stages.datagrams.declare(container.framing)
            elif status == MORE:
                return

    def _lead_in(self, span: Span) -> None:
        """Read the packets before a part for their fragments, and forget everything else about them."""
        at = span.lead
        while at < span.begin:
            before, at = at, self._stages.read(self._source.view, at, span.begin, silent=True)
            if at == before:
                break
        self._stages.forget(span.owned)

    def _ends(self, at: int, left: int) -> None:
        if left:
            self._tail = (
                f"the capture ends inside packet {self._packets + 1}, which begins at byte {at}: "
                f"{left} bytes of it are there"
            )
        if self._source.cut:
            self._tail = self._source.cut + (f"; {self._tail}" if self._tail else "")

    @property
    def _packets(self) -> int:
        return int(self._stages.pipeline.packets)

    def _listen(self, view: memoryview) -> None:
        """Hand ARP and ICMP of this block to the notices."""
        self.tables.grow()
        asides = self._stages.asides
        for i in range(self._stages.datagrams.asides):
            row = {name: int(column[i]) for name, column in asides.items()}
            body = bytes(view[row["at"] : row["end"]][:256])
            source = self.tables.addresses[row["source"]]
            cut = row["captured"] < row["size"]
            self._notices.add(row["kind"], body, source, row["size"], row["time_ns"], row["packet"], cut)

    @property
    def summary(self) -> ScanSummary:
        """What was seen so far."""
        faults = self._stages.faults.copy()
        faults[Fault.INTERFACE] += np.uint64(self._container.records.undeclared)
        faults[Fault.CROWD] += np.uint64(self.tables.refused)
        faults[Fault.ARP_ICMP] += np.uint64(self._notices.short)
        return ScanSummary(
            packets=self._packets,
            first_ns=self._container.records.earliest if self._packets else 0,
            last_ns=self._container.records.latest if self._packets else 0,
            link_types=tuple(map(link_name, self._container.all_links)),
            datagrams=self._stages.messages_seen,
            submessages=self._stages.submessages_seen,
            malformed={fault.words: int(faults[fault]) for fault in Fault if faults[fault]},
            unreadable=self._stages.decoder.unreadable,
            short=self._stages.datagrams.short,
            headless=self._stages.fragments.headless,
            tail=self._tail,
            notices=tuple(self._notices.rows.values()),
            neighbours=self._stages.neighbours_seen(),
        )
