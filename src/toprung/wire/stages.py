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
from toprung.wire.notices import NeighbourSeen, Seen

RECORDS = 1024  # packets a block: what they and their rows take stays in a processor's own cache
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
ASIDE_COLUMNS = {"row": "u4", "kind": "i4", "at": "i8", "end": "i8", "source": "u4"}
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
        self.messages = Rows(MESSAGE_COLUMNS + INNER_COLUMNS, RECORDS + PLACES)
        self.submessages = Rows(SUBMESSAGE_COLUMNS, SUBMESSAGES)
        self.asides = _arrays(ASIDE_COLUMNS, RECORDS)
        self.neighbours = _arrays(NEIGHBOUR_COLUMNS, NEIGHBOURS) | {"latest": np.full(MAX_KEYS, -1, "i4")}
        self.places = _arrays(PLACE_COLUMNS, PLACES) | {"heads": np.full(2 * PLACES, -1, "i4")}
        self.faults: NDArray[np.uint64] = np.zeros(len(Fault), "u8")
        self.messages_seen = self.submessages_seen = 0
        rows, faults, keys = self.messages.views(), as_view(self.faults), tables.address_keys
        mask, store = (as_view(np.zeros(PLACES * size, "u1")) for size in (PLACE_UNITS, PLACE_BYTES))
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
        self._block = Block(self.messages, self.submessages)
        self._joined = memoryview(bytearray(0))

    def rows(self, view: memoryview, packets_before: int, silent: bool) -> int:
        """Message rows of the records that were read last; how many there are.

        silent: join fragments only, hand nothing out.
        """
        count, at = self.records.records.count, self.records.columns["at"]
        self.faults[Fault.INTERFACE] += np.uint64(self.records.records.undeclared)
        spanned = int(at[count - 1]) - int(at[0]) + int(self.records.columns["captured"][count - 1])
        self._make_room(spanned)
        self.fragments.attach(view, self._joined, silent)
        self.datagrams.run(view, count, packets_before)
        return int(
            self.fragments.expire(self.datagrams.count, int(self.records.columns["time_ns"][count - 1]))
        )

    def _make_room(self, pieces: int) -> None:
        needed = self.fragments.held() + pieces
        if needed > len(self._joined):
            self._joined = as_view(np.zeros(max(needed, 1 << 20), "u1"))

    def decode(self, view: memoryview, rows: int) -> Iterator[Block]:
        """Blocks of the first `rows` message rows: one, unless they hold more submessages than fit."""
        self.fingerprints.run(view, self._joined, rows)
        while rows:
            done = self.decoder.run(view, self._joined, rows)
            self.tables.grow()
            self.messages_seen += done
            self.submessages_seen += self.decoder.count
            self._block.fill(view, self._joined, done, self.decoder.count)
            yield self._block
            if done < rows:
                self.messages.shift(done, rows)
            rows -= done

    def finish(self, view: memoryview, handed_over: int) -> Iterator[Block]:
        """Let unfinished datagrams go, but for those that began at or after `handed_over`."""
        self._make_room(0)
        yield from self.decode(view, self.fragments.finish(self._joined, handed_over))

    def forget(self, owned: int) -> None:
        """Drop all counts, and unfinished datagrams that began before `owned`; keep the rest and the keys."""
        self.datagrams.forget()
        self.fragments.forget(owned)
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
