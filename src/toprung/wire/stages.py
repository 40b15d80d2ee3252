"""The steps from packets to submessage rows, and the arrays that they share.

records -> datagrams -> fragments -> submessages; each a kernel that runs over one block.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toprung.wire.block import MAX_KEYS, Block, Rows, Tables
from toprung.wire.capture import Container
from toprung.wire.columns import MESSAGE_COLUMNS, SUBMESSAGE_COLUMNS, Column
from toprung.wire.faults import Fault
from toprung.wire.ids import Sub
from toprung.wire.kernels import Kernels, as_view
from toprung.wire.memory import blank
from toprung.wire.notices import NeighbourSeen, Seen

BATCH = 128  # packets that go through all steps while they are in the processor's nearest cache
MESSAGES = 4096  # rows of a block
PLACES = 512  # unfinished datagrams that are kept at a time
PLACE_BYTES, PLACE_UNITS = 1 << 16, 1 << 13  # octets of one datagram, and their 8-octet units
SUBMESSAGES = 1 << 15  # rows; the largest datagram holds 16,376
NEIGHBOURS = 4096  # pairs of IP and link-layer address; later ones are dropped

INNER_COLUMNS = (
    Column("begin", "i8", "offset of the UDP payload"),
    Column("room", "u4", "octets of it that are there"),
    Column("ip_id", "u4", "IP identification"),
    Column("piece", "i4", "IP fragment: 2 * its place + more-fragments; -1: whole"),
)
ASIDE_COLUMNS = {
    "kind": "i4", "at": "i8", "end": "i8", "source": "u4", "time_ns": "i8", "packet": "u4", "size": "u4",
    "captured": "u4",
}  # fmt: skip
NEIGHBOUR_COLUMNS = {
    "mac": "u8", "address": "u4", "before": "i4", "count": "u8", "bytes": "u8",
    "first_ns": "i8", "last_ns": "i8", "first": "u4", "last": "u4",
}  # fmt: skip
PLACE_COLUMNS = {
    "state": "u1", "source": "u4", "target": "u4", "id": "u4", "interface": "u2", "flags": "u1", "ttl": "u1",
    "first_ns": "i8", "last_ns": "i8", "first_at": "i8", "packet": "u4", "total": "i4", "cut": "i4",
    "units": "i4", "high": "i4", "wire": "u4", "pieces": "u4", "next": "i4",
}  # fmt: skip

Arrays = dict[str, NDArray[Any]]


class Stages:
    """The kernels of one scan after the records, wired together."""

    def __init__(self, container: Container, tables: Tables, kernels: Kernels) -> None:
        self.tables = tables
        self.records = container
        self.messages = Rows(MESSAGE_COLUMNS + INNER_COLUMNS, MESSAGES + PLACES)
        self.submessages = Rows(SUBMESSAGE_COLUMNS, SUBMESSAGES)
        self.asides = _arrays(ASIDE_COLUMNS, MESSAGES)
        self.neighbours = _arrays(NEIGHBOUR_COLUMNS, NEIGHBOURS) | {"latest": np.full(MAX_KEYS, -1, "i4")}
        self.places = _arrays(PLACE_COLUMNS, PLACES) | {"heads": np.full(2 * PLACES, -1, "i4")}
        self.faults: NDArray[np.uint64] = np.zeros(len(Fault), "u8")
        self.messages_seen = self.submessages_seen = 0
        rows, faults, keys = self.messages.views(), as_view(self.faults), tables.address_keys
        mask, store = (as_view(blank(PLACES * size, "u1")) for size in (PLACE_UNITS, PLACE_BYTES))
        self.fragments: Any = kernels.fragments(rows, _views(self.places), mask, store, faults)
        self.datagrams: Any = kernels.datagrams(
            _views(container.columns),
            rows,
            _views(self.asides),
            _views(self.neighbours),
            keys,
            self.fragments,
            faults,
        )
        self.fingerprints: Any = kernels.fingerprints(rows, keys)
        self.decoder: Any = kernels.submessages(
            rows, self.submessages.views(), _kinds(), tables.prefix_keys, faults
        )
        self.pipeline: Any = kernels.pipeline(
            container.records,
            self.datagrams,
            self.fragments,
            self.fingerprints,
            self.decoder,
            BATCH,
            MESSAGES,
        )
        self._block = Block(self.messages, self.submessages)
        self._joined = as_view(blank(PLACES * PLACE_BYTES + BATCH * PLACE_BYTES, "u1"))

    def read(self, view: memoryview, at: int, end: int, silent: bool = False) -> int:
        """Fill the next block from `view[at:end]`; where reading stopped, `pipeline.status` says why.

        silent: join fragments only, hand nothing out.
        """
        self.pipeline.start(view, self._joined, silent)
        return int(self.pipeline.run(at, end, self.records.fraction_ns))

    def blocks(self, view: memoryview) -> Iterator[Block]:
        """What was read last: one block, unless its messages hold more submessages than fit."""
        rows, done = self.datagrams.count, self.pipeline.decoded
        while rows:
            self.tables.grow()
            self.messages_seen += done
            self.submessages_seen += self.decoder.count
            self._block.fill(view, self._joined, done, self.decoder.count)
            yield self._block
            if done < rows:
                self.messages.shift(done, rows)
            rows -= done
            self.decoder.start(view, self._joined)
            done = self.decoder.run(rows)

    def finish(self, view: memoryview, handed_over: int) -> Iterator[Block]:
        """Let unfinished datagrams go, but for those that began at or after `handed_over`."""
        self.pipeline.start(view, self._joined, False)
        self.pipeline.finish(handed_over)
        yield from self.blocks(view)

    def forget(self, owned: int) -> None:
        """Drop all counts, and unfinished datagrams that began before `owned`; keep the rest and the keys."""
        self.datagrams.forget()
        self.fragments.forget(owned)
        self.pipeline.forget()
        self.faults[:] = 0

    def neighbours_seen(self) -> tuple[NeighbourSeen, ...]:
        """Which link-layer addresses IP sources were seen with."""
        self.tables.grow()
        return tuple(self._neighbour(row) for row in range(self.datagrams.neighbours))

    def _neighbour(self, row: int) -> NeighbourSeen:
        n = self.neighbours
        hardware = int(n["mac"][row]).to_bytes(6, "big").hex(":")
        address = self.tables.addresses[int(n["address"][row])]
        numbers = (int(n[k][row]) for k in ("count", "bytes", "first_ns", "first", "last_ns", "last"))
        return NeighbourSeen(address, hardware, Seen(*numbers))


def _arrays(columns: dict[str, str], rows: int) -> Arrays:
    return {name: np.zeros(rows, dtype) for name, dtype in columns.items()}


def _views(arrays: Arrays) -> dict[str, memoryview]:
    return {name: as_view(array) for name, array in arrays.items()}


def _kinds() -> dict[str, memoryview]:
    """`Sub.least` and `Sub.entity` by submessage kind."""
    least, entity = np.zeros(256, "u2"), np.full(256, -1, "i1")
    for kind in Sub:
        least[kind], entity[kind] = kind.least, kind.entity
    return {"least": as_view(least), "entity": as_view(entity)}
