"""What was said in discovery: payloads of builtin writers, decoded once however often they are repeated.

The kernel `_calls` counts equal announcements; here the new ones are decoded, and those in DATA_FRAG are put
together first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from toprung.model.picture import Guid, Mark, Side, Tally
from toprung.observe.records import CallField
from toprung.observe.tables import Folds
from toprung.wire.columns import MessageFlag
from toprung.wire.discovery import (
    EndpointData,
    ParticipantData,
    Reading,
    Status,
    read_endpoint,
    read_participant,
)
from toprung.wire.ids import EntityId, Flag

MOST_PARTS = 64  # announcements in DATA_FRAGs put together at a time
MOST_ASSEMBLED = 4_096
WAYS: tuple[bool | None, ...] = (None, True, False, None)  # by the two direction bits of MessageFlag

Data = ParticipantData | EndpointData

READERS: dict[int, Callable[..., Reading[Any]]] = {
    EntityId.PARTICIPANT_WRITER: read_participant,
    EntityId.PUBLICATIONS_WRITER: partial(read_endpoint, side=Side.WRITER),
    EntityId.SUBSCRIPTIONS_WRITER: partial(read_endpoint, side=Side.READER),
}


@dataclass(frozen=True, slots=True)
class Way:
    """How a datagram went: indices in the scan's tables, port, interface and direction."""

    sender: int
    source: int
    target: int
    port: int
    interface: int
    outgoing: bool | None
    multicast: bool


@dataclass(frozen=True, slots=True)
class Note:
    """One announcement on one way, each time that it went."""

    data: Data
    way: Way
    ttl: int
    count: int
    bytes: int
    first_ns: int
    first_packet: int
    last_ns: int
    last_packet: int
    period: tuple[int, int, int] | None = None  # histogram (its handle), least and most, ns
    said: int = 0  # its hash; 0: it came in pieces

    @property
    def subject(self) -> Guid:
        """Whom it is about."""
        guid = self.data.guid
        assert guid is not None  # only such are kept
        return guid

    def first(self, view: int) -> Mark:
        """When it went first."""
        return Mark(self.first_ns, view, self.first_packet)

    def last(self, view: int) -> Mark:
        """When it went last."""
        return Mark(self.last_ns, view, self.last_packet)

    def tally(self, view: int) -> Tally:
        """How often, and how much."""
        return Tally(self.count, self.bytes, self.first(view), self.last(view))


class Notes:
    """The announcements of one scan."""

    def __init__(self) -> None:
        self.malformed: dict[str, int] = {}
        self._said: dict[int, Data | None] = {}  # by the call's hash
        self._assembled: list[Note] = []
        self._parts: dict[tuple[int, int, int], tuple[bytes, dict[int, bytes]]] = {}

    def feed(self, block: Any, fresh: Iterable[list[int]], folds: Folds) -> None:
        """Decode what is new in a block (`toprung.wire.scan.Block`)."""
        s = block.submessages
        for row, place in fresh:
            if place < 0:
                self._assemble(block, row)
                continue
            said = int(folds.calls.words[place, 0])
            if said not in self._said:
                payload, inline = bytes(block.payload(row)), bytes(block.inline_qos(row))
                self._said[said] = self._decode(int(s.writer[row]), int(s.flags[row]), payload, inline)

    def _decode(self, writer: int, flags: int, payload: bytes, inline: bytes) -> Data | None:
        little = bool(flags & Flag.LITTLE_ENDIAN)
        reading = READERS[writer](payload, inline_qos=inline, inline_little=little)
        for fault in reading.malformed:
            self.malformed[fault.why] = self.malformed.get(fault.why, 0) + 1
        data: Data | None = reading.data
        return data

    def _assemble(self, block: Any, row: int) -> None:
        """Take some fragments; note the announcement once they have all come."""
        s = block.submessages
        key = (int(s.sender[row]), int(s.writer[row]), int(s.sequence[row]))
        step, size = int(s.fragment_size[row]), int(s.sample_size[row])
        if key not in self._parts and len(self._parts) >= MOST_PARTS:
            del self._parts[next(iter(self._parts))]
        inline, parts = self._parts.setdefault(key, (bytes(block.inline_qos(row)), {}))
        payload = bytes(block.payload(row))
        for i in range(int(s.fragments[row])):
            parts[int(s.fragment[row]) + i] = payload[i * step : (i + 1) * step]
        if step == 0 or len(parts) < -(-size // step) or len(self._assembled) >= MOST_ASSEMBLED:
            return
        del self._parts[key]
        whole = b"".join(parts[i] for i in sorted(parts))[:size]
        data = self._decode(key[1], int(s.flags[row]), whole, inline)
        if data is not None:
            self._assembled.append(_note(data, block.messages, int(s.message[row]), key[0]))

    def all(self, folds: Folds) -> Iterator[Note]:
        """Every announcement that could be read."""
        words = folds.calls.words[: folds.calls.used].tolist()
        for (said, who, way), r in zip(words, folds.calls.record.tolist(), strict=True):
            data = self._said.get(said)
            if data is None:
                continue
            way_of = Way(
                sender=who >> 32,
                source=who & 0xFFFFFFFF,
                target=way >> 40,
                port=way >> 24 & 0xFFFF,
                interface=way >> 2 & 0xFFFF,
                outgoing=WAYS[way & 3],
                multicast=bool(r[CallField.MULTICAST]),
            )
            count, size, first_ns, first_packet, last_ns, last_packet = r[
                CallField.COUNT : CallField.COUNT + 6
            ]
            period = (r[CallField.PERIODS], r[CallField.PERIOD_LEAST], r[CallField.PERIOD_MOST])
            yield Note(
                data,
                way_of,
                r[CallField.TTL],
                count,
                size,
                first_ns,
                first_packet,
                last_ns,
                last_packet,
                period if period[0] else None,
                said,
            )
        yield from self._assembled

    def sift(self, renumbered: Any, said: set[int]) -> None:
        """Keep what was said by hash; prefixes have new numbers (-1: forgotten)."""
        self._said = {key: data for key, data in self._said.items() if key in said}
        self._assembled = [
            replace(note, way=replace(note.way, sender=sender))
            for note in self._assembled
            if (sender := int(renumbered[note.way.sender])) >= 0
        ]
        self._parts = {
            (sender, writer, sequence): parts
            for (was, writer, sequence), parts in self._parts.items()
            if (sender := int(renumbered[was])) >= 0
        }


def _note(data: Data, m: Any, message: int, sender: int) -> Note:
    """A single announcement."""
    flags = int(m.flags[message])
    time_ns, packet = int(m.time_ns[message]), int(m.packet[message])
    way = Way(
        sender,
        int(m.source[message]),
        int(m.target[message]),
        int(m.target_port[message]),
        int(m.interface[message]),
        WAYS[flags >> 4 & 3],
        bool(flags & MessageFlag.MULTICAST),
    )
    size = int(m.size[message])
    return Note(data, way, int(m.ttl[message]), 1, size, time_ns, packet, time_ns, packet)


def gone(status: Status) -> bool:
    """Whether the announcement is a goodbye."""
    return bool(status & (Status.DISPOSED | Status.UNREGISTERED))
