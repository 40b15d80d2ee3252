"""What was said in discovery: payloads of builtin writers, decoded once however often they are repeated.

The fold kernels know nothing of payloads.  This is plain Python, fed with the few rows that carry one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np

from toprung.model.picture import Guid, Side
from toprung.observe.spreads import bin_of
from toprung.wire.columns import MessageFlag
from toprung.wire.discovery import (
    EndpointData,
    ParticipantData,
    Reading,
    Status,
    read_endpoint,
    read_participant,
)
from toprung.wire.ids import EntityId, Flag, Sub

MOST_SAID = 65_536  # different announcements that one scan remembers
MOST_NOTES = 262_144  # (announcement, way it went) of one scan
MOST_PARTS = 64  # announcements in DATA_FRAGs put together at a time
SAME_ANNOUNCEMENT_NS = 2_000_000  # copies of one announcement, sent on several interfaces or twice in a row

READERS = {
    EntityId.PARTICIPANT_WRITER: read_participant,
    EntityId.PUBLICATIONS_WRITER: partial(read_endpoint, side=Side.WRITER),
    EntityId.SUBSCRIPTIONS_WRITER: partial(read_endpoint, side=Side.READER),
}
_WRITERS = np.array(sorted(READERS), np.uint32)

Data = ParticipantData | EndpointData


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


@dataclass(slots=True)
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

    @property
    def subject(self) -> Guid:
        """Whom it is about."""
        assert self.data.guid is not None  # only such are kept
        return self.data.guid


@dataclass(slots=True)
class Rhythm:
    """Times between consecutive announcements of one participant on one way: a log histogram."""

    last_ns: int
    bins: dict[int, int] = field(default_factory=dict)
    least_ns: int = 0
    most_ns: int = 0

    def beat(self, time_ns: int) -> None:
        """One more announcement."""
        span = time_ns - self.last_ns
        if span < SAME_ANNOUNCEMENT_NS:
            return
        self.least_ns = span if not self.bins else min(self.least_ns, span)
        self.most_ns = max(self.most_ns, span)
        place = bin_of(span)
        self.bins[place] = self.bins.get(place, 0) + 1
        self.last_ns = time_ns


class Notes:
    """The announcements of one scan."""

    def __init__(self) -> None:
        self.notes: dict[tuple[int, Way], Note] = {}
        self.rhythms: dict[tuple[bytes, Way], Rhythm] = {}
        self.malformed: dict[str, int] = {}
        self._said: dict[tuple[int, int, bytes, bytes], int] = {}
        self._data: list[Data | None] = []
        self._parts: dict[tuple[int, int, int], tuple[bytes, dict[int, bytes]]] = {}

    def feed(self, block: Any) -> None:
        """Take the announcements of one block (`toprung.wire.scan.Block`)."""
        s, n = block.submessages, block.n_submessages
        kinds, writers = s.kind[:n], s.writer[:n]
        chosen = ((kinds == Sub.DATA) | (kinds == Sub.DATA_FRAG)) & np.isin(writers, _WRITERS)
        for row in np.flatnonzero(chosen).tolist():
            self._row(block, row)

    def _row(self, block: Any, row: int) -> None:
        s, m = block.submessages, block.messages
        message = int(s.message[row])
        flags = int(m.flags[message])
        last = row + 1 == block.n_submessages or s.message[row + 1] != message
        if flags & MessageFlag.CUT or (flags & MessageFlag.INCOMPLETE and last):
            return  # there is more of it than is here
        payload, inline = bytes(block.payload(row)), bytes(block.inline_qos(row))
        little = int(s.flags[row]) & Flag.LITTLE_ENDIAN
        if s.kind[row] == Sub.DATA_FRAG:
            whole = self._assemble(block, row, payload, inline)
            if whole is None:
                return
            payload, inline = whole
        key = (int(s.writer[row]), little, payload, inline)
        said = self._said.get(key)
        if said is None:
            if len(self._data) >= MOST_SAID:
                return
            said = self._said[key] = len(self._data)
            self._data.append(self._decode(*key))
        data = self._data[said]
        if data is not None:
            self._tally(m, message, flags, int(s.sender[row]), said, data)

    def _decode(self, writer: int, little: int, payload: bytes, inline: bytes) -> Data | None:
        reading: Reading[Any] = READERS[EntityId(writer)](
            payload, inline_qos=inline, inline_little=bool(little)
        )
        for fault in reading.malformed:
            self.malformed[fault.why] = self.malformed.get(fault.why, 0) + 1
        data: Data | None = reading.data
        return data

    def _assemble(self, block: Any, row: int, payload: bytes, inline: bytes) -> tuple[bytes, bytes] | None:
        """The whole payload, once all its fragments have come."""
        s = block.submessages
        key = (int(s.sender[row]), int(s.writer[row]), int(s.sequence[row]))
        step, size = int(s.fragment_size[row]), int(s.sample_size[row])
        if key not in self._parts and len(self._parts) >= MOST_PARTS:
            del self._parts[next(iter(self._parts))]
        first_inline, parts = self._parts.setdefault(key, (inline, {}))
        for i in range(int(s.fragments[row])):
            parts[int(s.fragment[row]) + i] = payload[i * step : (i + 1) * step]
        if step == 0 or len(parts) < -(-size // step):
            return None
        del self._parts[key]
        return b"".join(parts[i] for i in sorted(parts))[:size], first_inline

    def _tally(self, m: Any, message: int, flags: int, sender: int, said: int, data: Data) -> None:
        time_ns, packet, size = int(m.time_ns[message]), int(m.packet[message]), int(m.size[message])
        way = Way(
            sender,
            int(m.source[message]),
            int(m.target[message]),
            int(m.target_port[message]),
            int(m.interface[message]),
            outgoing_of(flags),
            bool(flags & MessageFlag.MULTICAST),
        )
        note = self.notes.get((said, way))
        if note is not None:
            note.count += 1
            note.bytes += size
            note.last_ns, note.last_packet = time_ns, packet
        elif len(self.notes) < MOST_NOTES:
            ttl = int(m.ttl[message])
            self.notes[said, way] = Note(data, way, ttl, 1, size, time_ns, packet, time_ns, packet)
        if isinstance(data, ParticipantData) and data.guid is not None and not data.status:
            rhythm = self.rhythms.get((data.guid.prefix, way))
            if rhythm is None:
                self.rhythms[data.guid.prefix, way] = Rhythm(time_ns)
            else:
                rhythm.beat(time_ns)

    def about_participants(self) -> Iterator[tuple[ParticipantData, Note]]:
        """Announcements and goodbyes of participants."""
        for note in self.notes.values():
            if isinstance(note.data, ParticipantData):
                yield note.data, note

    def about_endpoints(self) -> Iterator[tuple[EndpointData, Note]]:
        """Introductions and goodbyes of endpoints."""
        for note in self.notes.values():
            if isinstance(note.data, EndpointData):
                yield note.data, note


def outgoing_of(flags: int) -> bool | None:
    """Whether the capturing machine sent it, as far as the link type tells."""
    if flags & MessageFlag.OUTGOING:
        return True
    return False if flags & MessageFlag.INCOMING else None


def gone(status: Status) -> bool:
    """Whether the announcement is a goodbye."""
    return bool(status & (Status.DISPOSED | Status.UNREGISTERED))
