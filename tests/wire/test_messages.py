"""RTPS messages, written: published sizes and vectors, and scapy reading them back.

Sources: CHECKS 1.4, 1.5 and 1.8 (DDSI-RTPS 2.5, 9.4); scapy 2.8.0, `scapy.contrib.rtps`.
"""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.contrib.rtps import RTPS

from tests.wire.datagrams import announcements
from tests.wire.datagrams import messages as real_messages
from toprung.wire import messages
from toprung.wire.ids import HEADER_LENGTH, EntityId, Flag, Sub
from toprung.wire.messages import (
    IP4_HEADER_BYTES,
    UDP_HEADER_BYTES,
    Piece,
    acknack,
    data,
    data_frag,
    fragment_set,
    gap,
    heartbeat,
    info_dst,
    info_ts,
    message,
    sequence_set,
)

PREFIX = bytes(range(1, 13))
WRITER, READER = EntityId.PUBLICATIONS_WRITER, EntityId.PUBLICATIONS_READER
NANOSECOND = 1_000_000_000


def test_published_sizes() -> None:
    """CHECKS 1.5."""
    assert len(message(PREFIX, 0, ())) == HEADER_LENGTH == 20
    assert len(info_ts(0)) == 12
    assert len(info_ts(None)) == 4
    assert len(info_dst(PREFIX)) == 16
    assert len(data(READER, WRITER, 1)) == 24
    assert len(data_frag(READER, WRITER, 1, Piece(1, 1, 8), b"")) == 36
    assert len(heartbeat(READER, WRITER, 1, 0, 1)) == 32
    assert [len(acknack(READER, WRITER, 1, bits, 1)) for bits in ((), (1,), range(1, 257))] == [28, 32, 60]
    assert len(gap(READER, WRITER, 1, 2)) == 32
    sample = message(PREFIX, 0x0110, (info_ts(0), data(0, 0x00000103, 1, bytes(4))))
    assert len(sample) == 60
    assert len(sample) + IP4_HEADER_BYTES + UDP_HEADER_BYTES == 88


@pytest.mark.parametrize(("base", "members", "bits", "expected"), [
    (42, (), None, "00000000 2A000000 00000000"),
    (1, (1,), None, "00000000 01000000 01000000 00000080"),
    (1, range(1, 11), 25, "00000000 01000000 19000000 0000C0FF"),
    (10, range(10, 53), 64, "00000000 0A000000 40000000 FFFFFFFF 0000E0FF"),
])  # fmt: skip
def test_published_sequence_sets(base: int, members: tuple[int, ...], bits: int, expected: str) -> None:
    """CHECKS 1.8 (DDSI-RTPS 2.5, 9.4.2.6)."""
    assert sequence_set(base, members, bits=bits) == bytes.fromhex(expected)


def test_published_fragment_set() -> None:
    """CHECKS 1.8: base 1000, 14 bits, word 5AA40000."""
    members = (1001, 1003, 1004, 1006, 1008, 1010, 1013)
    assert fragment_set(1000, members) == bytes.fromhex("E8030000 0E000000 0000A45A")
    assert fragment_set(1000, members, little=False) == bytes.fromhex("000003E8 0000000E 5AA40000")


@pytest.mark.parametrize(("base", "members", "bits"), [(5, (4,), None), (1, (257,), None), (1, (9,), 4)])
def test_sets_that_cannot_be(base: int, members: tuple[int, ...], bits: int) -> None:
    with pytest.raises(ValueError, match="256"):
        sequence_set(base, members, bits=bits)


def test_published_sequence_number() -> None:
    """CHECKS 1.8: 0x0011223344556677 is 33 22 11 00 77 66 55 44."""
    assert data(0, 0, 0x0011223344556677)[16:24].hex() == "3322110077665544"


@given(
    st.booleans(),
    st.integers(0, (1 << 31) * NANOSECOND - 1),
    st.integers(1, (1 << 62)),
    st.binary(max_size=40),
    st.integers(0, 0xFFFFFFFF),
)
def test_scapy_reads_what_we_write(little: bool, now: int, sequence: int, payload: bytes, count: int) -> None:
    """INFO_TS only as bytes: scapy 2.8.0 reads it little-endian whatever its flag (9.4.5.1.2)."""
    inner = b"\0\1\0\0" + payload  # plain CDR: scapy leaves it as it is
    raw = message(
        PREFIX,
        0x0110,
        (
            info_dst(PREFIX[::-1], little),
            info_ts(now, little),
            data(READER, 0x00000103, sequence, inner, little=little),
            heartbeat(READER, WRITER, sequence, sequence + 7, count, final=True, little=little),
            acknack(READER, WRITER, sequence, (sequence, sequence + 40), count, little=little),
        ),
    )
    packet = RTPS(raw)
    assert bytes(packet.magic) == b"RTPS"
    assert (packet.protocolVersion.major, packet.protocolVersion.minor) == messages.PROTOCOL_VERSION
    assert packet.vendorId.vendor_id == 0x0110
    whom, when, sample, beat, answer = packet.payload.submessages
    assert bytes(whom)[4:] == PREFIX[::-1]
    assert (when.submessageId, when.octetsToNextHeader) == (Sub.INFO_TS, 8)
    assert (sample.submessageId, sample.octetsToInlineQoS) == (Sub.DATA, 16)
    assert sample.submessageFlags == Flag.PAYLOAD | little
    assert (sample.writerSeqNumHi << 32) + sample.writerSeqNumLow == sequence
    assert sample.writerEntityIdKey << 8 | sample.writerEntityIdKind == 0x00000103
    assert sample.readerEntityIdKey << 8 | sample.readerEntityIdKind == READER
    assert sample.octetsToNextHeader == 20 + len(inner) + -len(inner) % 4
    assert beat.submessageFlags == Flag.FINAL | little
    assert (beat.firstAvailableSeqNumHi << 32) + beat.firstAvailableSeqNumLow == sequence
    assert (beat.lastSeqNumHi << 32) + beat.lastSeqNumLow == sequence + 7
    assert beat.count == answer.count == count
    assert (beat.reader_id, beat.writer_id) == (struct.pack(">I", READER), struct.pack(">I", WRITER))
    assert answer.readerSNState == sequence_set(sequence, (sequence, sequence + 40), little)


def test_real_messages_are_rebuilt_from_their_parts() -> None:
    """Announcements of Cyclone and Fast DDS: header and every DATA come out as they were sent."""
    rebuilt = 0
    for raw in real_messages():
        assert raw.startswith(message(raw[8:20], int.from_bytes(raw[6:8], "big"), (), tuple(raw[4:6])))
        for sent in announcements(raw):
            start = raw.index(sent.inline + sent.payload) - 24
            header = raw[start : start + 24]
            reader, writer, high, low = struct.unpack_from(">II", header, 8) + struct.unpack_from(
                "<iI", header, 16
            )
            again = data(reader, writer, (high << 32) + low, sent.payload, sent.inline, little=sent.little)
            assert again == raw[start : start + len(again)]
            rebuilt += 1
    assert rebuilt > 507


def test_fragments_carry_their_part_of_the_sample() -> None:
    """DDSI-RTPS 2.5, 8.3.8.3.5: fragments count from 1; the last one is short."""
    sample = bytes(range(100))
    parts = [data_frag(0, 0x103, 5, Piece(first, 1, 40), sample) for first in (1, 2, 3)]
    assert b"".join(part[36:] for part in parts) == sample
    assert [struct.unpack_from("<IHHI", part, 24) for part in parts] == [(n, 1, 40, 100) for n in (1, 2, 3)]
    assert data_frag(0, 0x103, 5, Piece(2, 2, 40), sample)[36:] == sample[40:]


def test_gap_says_what_will_not_come() -> None:
    raw = gap(READER, WRITER, 3, 9, (10,), little=False)
    assert raw[:4] == bytes((Sub.GAP, 0)) + struct.pack(">H", 32)
    assert struct.unpack(">iIiIII", raw[12:]) == (0, 3, 0, 9, 2, 0x40000000)
