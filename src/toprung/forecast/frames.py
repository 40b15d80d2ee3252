"""One sample of a topic as RTPS messages, UDP datagrams and IP packets, each with its exact size.

DDSI-RTPS 2.5, 8.3.8 and 9.4.5 give the submessages; how a library packs them is its measured profile
(`toprung.forecast.profile`).  A sample's size is that of its serialised payload, the four bytes of the
encapsulation header included.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from toprung.forecast.fragments import fragment_count, ip_packets
from toprung.forecast.profile import DataPhase
from toprung.wire.cdr import ALIGN_BYTES
from toprung.wire.ids import HEADER_LENGTH, Sub
from toprung.wire.messages import SUBMESSAGE_HEADER_BYTES

DATA_BYTES = SUBMESSAGE_HEADER_BYTES + Sub.DATA.least
DATA_FRAG_BYTES = SUBMESSAGE_HEADER_BYTES + Sub.DATA_FRAG.least
LINK_HEADER_BYTES = 14  # Ethernet II, as a capture shows it: without preamble, FCS and gap


@dataclass(frozen=True, slots=True)
class Way:
    """How a sample is sent.  `reliable`: by a reliable writer.  `heartbeat`: it carries one.  `to_many`: the
    writer has several reading participants.
    """

    reliable: bool = False
    heartbeat: bool = False
    to_many: bool = False


@dataclass(frozen=True, slots=True)
class Messages:
    """Messages that go out together: the UDP payload of each, and the IP packets of all of them."""

    payloads: tuple[int, ...]
    packets: tuple[int, ...]

    @property
    def payload_bytes(self) -> int:
        return sum(self.payloads)

    @property
    def ip_bytes(self) -> int:
        return sum(self.packets)

    @property
    def link_bytes(self) -> int:
        """As frames of a capture: each packet with its Ethernet header."""
        return self.ip_bytes + LINK_HEADER_BYTES * len(self.packets)


def sample_messages(size_bytes: int, data: DataPhase, way: Way, mtu_bytes: int) -> Messages:
    """The messages of one sample of a writer whose library sends as `data` says."""
    return messages_of(payloads_of(size_bytes, data, way), mtu_bytes)


@lru_cache(maxsize=4096)
def messages_of(payloads: tuple[int, ...], mtu_bytes: int) -> Messages:
    """Messages of these sizes on a way of this MTU."""
    return Messages(payloads, tuple(p for payload in payloads for p in ip_packets(payload, mtu_bytes)))


def is_cut(size_bytes: int, data: DataPhase) -> bool:
    """Whether a sample goes in fragments: it does where one submessage could not hold it."""
    return size_bytes > data.fragment_bytes * data.fragments_per_message


def fragments_of(size_bytes: int, data: DataPhase) -> int:
    """RTPS fragments of a sample; 1 where it goes whole."""
    return fragment_count(size_bytes, data.fragment_bytes) if is_cut(size_bytes, data) else 1


@lru_cache(maxsize=4096)
def payloads_of(size_bytes: int, data: DataPhase, way: Way) -> tuple[int, ...]:
    """The UDP payload of each message of one sample, in order."""
    header = data.header_to_many_bytes if way.to_many else data.header_bytes
    first = header - DATA_BYTES  # RTPS header, INFO_DST, INFO_TS, vendor's submessage
    if not is_cut(size_bytes, data):
        made = [first + DATA_BYTES + padded(size_bytes)]
        return _with_heartbeats(made, data, way)
    most = data.fragment_bytes * data.fragments_per_message
    count = fragment_count(size_bytes, most)
    parts = [DATA_FRAG_BYTES + most + data.heartbeat_frag_bytes * way.reliable] * (count - 1)
    parts.append(DATA_FRAG_BYTES + padded(size_bytes - most * (count - 1)))
    later = first + data.fragment_header_next_bytes - data.fragment_header_bytes
    made = [first + parts[0]]
    for part in parts[1:]:
        if later == HEADER_LENGTH and made[-1] + part <= data.message_bytes:
            made[-1] += part  # joins what is there; a library that repeats its submessages sends each alone
        else:
            made.append(later + part)
    return _with_heartbeats(made, data, way)


def _with_heartbeats(made: list[int], data: DataPhase, way: Way) -> tuple[int, ...]:
    """In the last message; in every one where a library does not always send one, and does it here."""
    if not way.heartbeat:
        return tuple(made)
    if not data.heartbeat_always:
        return tuple(size + data.heartbeat_bytes for size in made)
    if made[-1] + data.heartbeat_bytes <= data.message_bytes:
        return (*made[:-1], made[-1] + data.heartbeat_bytes)
    return (*made, HEADER_LENGTH + data.heartbeat_bytes)


def heartbeat_payload(data: DataPhase, to_many: bool) -> int:
    """The UDP payload of a heartbeat alone."""
    return data.heartbeat_message_bytes - (data.header_bytes - data.header_to_many_bytes) * to_many


def padded(size_bytes: int) -> int:
    """Submessages end at multiples of four bytes (9.4.1)."""
    return size_bytes + -size_bytes % ALIGN_BYTES
