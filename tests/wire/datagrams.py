"""Real discovery traffic for the tests, taken apart by scapy.

`announcements.pcap.gz` holds each different announcement once, out of captures of Cyclone DDS 11.0.1 and
Fast DDS 2.9.1 between network namespaces.  To make it again from a folder of captures:

    python -m tests.wire.datagrams FOLDER
"""

from __future__ import annotations

import struct
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from scapy.layers.inet import IP, UDP
from scapy.utils import PcapReader, RawPcapReader, wrpcap

from toprung.model.picture import Side
from toprung.wire import discovery
from toprung.wire.ids import EntityId, Flag, Sub

HERE = Path(__file__).parent
FIXTURE = HERE / "announcements.pcap.gz"
SHARED = HERE.parents[2] / "shared" / "captures"
READERS = {
    EntityId.PARTICIPANT_WRITER: discovery.read_participant,
    EntityId.PUBLICATIONS_WRITER: lambda *args: discovery.read_endpoint(args[0], Side.WRITER, *args[1:]),
    EntityId.SUBSCRIPTIONS_WRITER: lambda *args: discovery.read_endpoint(args[0], Side.READER, *args[1:]),
    EntityId.TOPICS_WRITER: discovery.read_topic,
    EntityId.PARTICIPANT_MESSAGE_WRITER: discovery.read_liveliness,
}
WRITERS = {
    EntityId.PARTICIPANT_WRITER: discovery.write_participant,
    EntityId.PUBLICATIONS_WRITER: discovery.write_endpoint,
    EntityId.SUBSCRIPTIONS_WRITER: discovery.write_endpoint,
    EntityId.TOPICS_WRITER: discovery.write_topic,
    EntityId.PARTICIPANT_MESSAGE_WRITER: discovery.write_liveliness,
}


@dataclass(frozen=True)
class Sent:
    """One DATA submessage of a builtin writer that we decode."""

    writer: int
    flags: int
    inline: bytes
    payload: bytes

    @property
    def little(self) -> bool:
        return bool(self.flags & Flag.LITTLE_ENDIAN)

    def read(self) -> discovery.Reading:
        return READERS[EntityId(self.writer)](self.payload, self.inline, self.little)


def announcements(message: bytes) -> Iterator[Sent]:
    """The announcements in one RTPS message, by the plainest means (DDSI-RTPS 2.5, 9.4.5)."""
    at = 20
    while at + 4 <= len(message):
        kind, flags = message[at : at + 2]
        order = "<" if flags & 1 else ">"
        (length,) = struct.unpack_from(order + "H", message, at + 2)
        body = message[at + 4 : at + 4 + length]
        at += 4 + length
        if kind == Sub.DATA and struct.unpack_from(">I", body, 8)[0] in READERS:
            yield _announcement(flags, order, body)


def _announcement(flags: int, order: str, body: bytes) -> Sent:
    start = end = 4 + struct.unpack_from(order + "H", body, 2)[0]
    while flags & Flag.INLINE_QOS:
        pid, length = struct.unpack_from(order + "HH", body, end)
        end += 4 + (0 if pid == 1 else length)
        if pid == 1:
            break
    return Sent(struct.unpack_from(">I", body, 8)[0], flags, body[start:end], body[end:])


@lru_cache
def messages() -> tuple[bytes, ...]:
    """The RTPS messages of the fixture."""
    with PcapReader(str(FIXTURE)) as packets:
        return tuple(bytes(packet[UDP].payload) for packet in packets)


@lru_cache
def samples() -> tuple[Sent, ...]:
    """Every different announcement of the fixture."""
    return tuple(dict.fromkeys(sent for message in messages() for sent in announcements(message)))


def raw_messages(folder: Path) -> Iterator[bytes]:
    """Every RTPS message that fits one packet, in all captures of a folder; fast, without dissecting."""
    for path in sorted(folder.glob("*/*.pcap.gz")):
        with RawPcapReader(str(path)) as packets:
            for raw, _ in packets:
                at = raw.find(b"RTPS")
                if at > 0:
                    yield raw[at : at - 4 + struct.unpack_from(">H", raw, at - 4)[0]]  # the UDP length


def make(folder: Path) -> None:
    seen: set[Sent] = set()
    kept = []
    for path in sorted(folder.glob("*/*.pcap.gz")):
        with PcapReader(str(path)) as packets:
            for packet in packets:
                message = bytes(packet[UDP].payload) if UDP in packet else b""
                fresh = set(announcements(message)) - seen if message[:4] == b"RTPS" else set()
                if fresh:
                    seen |= fresh
                    kept.append(packet[IP])  # link layers differ
    wrpcap(str(FIXTURE), kept, gz=True)


if __name__ == "__main__":
    make(Path(sys.argv[1]))
