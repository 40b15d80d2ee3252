"""Parameter lists: published vectors, scapy's RTPS layer on real traffic, bytes that lie.

Sources: CHECKS 1.6, 1.9, 1.10, 1.11 and 1.13 (DDSI-RTPS 2.5, 9.4.2.11, 9.6.3.2 and 9.6.4);
scapy 2.8.0, `scapy.contrib.rtps`.
"""

from __future__ import annotations

import re
import struct
from contextlib import suppress
from dataclasses import fields
from hashlib import md5
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.contrib.rtps import RTPS
from scapy.contrib.rtps.common_types import GUIDPacket, LocatorPacket, ProtocolVersionPacket, VendorIdPacket
from scapy.packet import Packet

from tests.wire.datagrams import READERS, Sent, samples
from toprung.model.picture import Guid, Locator
from toprung.model.qos import INFINITE, Durability, Qos, Reliability
from toprung.wire.announcements import EndpointData, ParticipantData, Status, TopicData
from toprung.wire.cdr import WireError
from toprung.wire.ids import Flag, Sub
from toprung.wire.locators import Kind, read_locator, write_locator
from toprung.wire.parameters import (
    BY_ID,
    MUST_UNDERSTAND,
    NAMES,
    PARAMETERS,
    VENDOR_SPECIFIC,
    Malformed,
    carried_by,
    read_list,
    write_list,
)
from toprung.wire.shapes import Shape
from toprung.wire.times import INVALID_TIME, duration_ns, duration_wire, time_ns, time_wire

EVERY = {row.pid: row for row in PARAMETERS if row.fields}
SECOND = 1_000_000_000

# CHECKS 1.6: ids as the specification prints them
PUBLISHED_IDS = """
PAD 0000 SENTINEL 0001 PARTICIPANT_LEASE_DURATION 0002 TIME_BASED_FILTER 0004 TOPIC_NAME 0005
OWNERSHIP_STRENGTH 0006 TYPE_NAME 0007 METATRAFFIC_MULTICAST_IPADDRESS 000B DEFAULT_UNICAST_IPADDRESS 000C
METATRAFFIC_UNICAST_PORT 000D DEFAULT_UNICAST_PORT 000E DOMAIN_ID 000F MULTICAST_IPADDRESS 0011
PROTOCOL_VERSION 0015 VENDORID 0016 RELIABILITY 001A LIVELINESS 001B DURABILITY 001D DURABILITY_SERVICE 001E
OWNERSHIP 001F PRESENTATION 0021 DEADLINE 0023 DESTINATION_ORDER 0025 LATENCY_BUDGET 0027 PARTITION 0029
LIFESPAN 002B USER_DATA 002C GROUP_DATA 002D TOPIC_DATA 002E UNICAST_LOCATOR 002F MULTICAST_LOCATOR 0030
DEFAULT_UNICAST_LOCATOR 0031 METATRAFFIC_UNICAST_LOCATOR 0032 METATRAFFIC_MULTICAST_LOCATOR 0033
PARTICIPANT_MANUAL_LIVELINESS_COUNT 0034 CONTENT_FILTER_PROPERTY 0035 HISTORY 0040 RESOURCE_LIMITS 0041
EXPECTS_INLINE_QOS 0043 PARTICIPANT_BUILTIN_ENDPOINTS 0044 METATRAFFIC_UNICAST_IPADDRESS 0045
METATRAFFIC_MULTICAST_PORT 0046 DEFAULT_MULTICAST_LOCATOR 0048 TRANSPORT_PRIORITY 0049 PARTICIPANT_GUID 0050
GROUP_GUID 0052 GROUP_ENTITYID 0053 CONTENT_FILTER_INFO 0055 COHERENT_SET 0056 DIRECTED_WRITE 0057
BUILTIN_ENDPOINT_SET 0058 PROPERTY_LIST 0059 ENDPOINT_GUID 005A TYPE_MAX_SIZE_SERIALIZED 0060
ORIGINAL_WRITER_INFO 0061 ENTITY_NAME 0062 KEY_HASH 0070 STATUS_INFO 0071 TYPE_OBJECT 0072
DATA_REPRESENTATION 0073 TYPE_CONSISTENCY_ENFORCEMENT 0074 TYPE_INFORMATION 0075 BUILTIN_ENDPOINT_QOS 0077
SERVICE_INSTANCE_NAME 0080 RELATED_ENTITY_GUID 0081 TOPIC_ALIASES 0082 RELATED_SAMPLE_IDENTITY 0083
DOMAIN_TAG 4014 IDENTITY_TOKEN 1001 PERMISSIONS_TOKEN 1002 DATA_TAGS 1003 ENDPOINT_SECURITY_INFO 1004
PARTICIPANT_SECURITY_INFO 1005 IDENTITY_STATUS_TOKEN 1006
"""


def test_every_published_id_is_in_the_table_under_its_name() -> None:
    words = PUBLISHED_IDS.split()
    published = {int(number, 16): name for name, number in zip(words[::2], words[1::2], strict=True)}
    assert len(published) == 74
    ours = {pid: name for pid, name in NAMES.items() if not pid & VENDOR_SPECIFIC}
    assert ours == published
    assert 0x4014 & MUST_UNDERSTAND


# CHECKS 1.13: (parameter, its bytes in a little-endian list)
VECTORS = [
    (0x0002, (100 * SECOND,), "02 00 08 00 64 00 00 00 00 00 00 00"),
    (0x0023, (SECOND // 2,), "23 00 08 00 00 00 00 00 00 00 00 80"),
    (0x001D, (Durability.TRANSIENT_LOCAL,), "1D 00 04 00 01 00 00 00"),
    (0x0005, ("Square",), "05 00 0C 00 07 00 00 00 53 71 75 61 72 65 00 00"),
    (
        0x0031,
        (Locator(1, "192.168.1.10", 7411),),
        "31 00 18 00 01 00 00 00 F3 1C 00 00" + "00" * 12 + "C0A8010A",
    ),
]


@pytest.mark.parametrize(("pid", "values", "expected"), VECTORS)
def test_published_parameter_vectors(pid: int, values: tuple[Any, ...], expected: str) -> None:
    raw = bytes.fromhex(expected) + bytes.fromhex("01000000")
    assert write_list([(pid, EVERY[pid].shape.write(values, True))], True) == raw
    found = read_list(raw, 0, True, EVERY)
    assert found.malformed == []
    assert found.sent == [pid]
    assert found.end == len(raw)
    (value,) = found.values.values()
    assert value == (list(values) if EVERY[pid].repeats else values[0])


def test_published_reliability_vector() -> None:
    """CHECKS 1.13 truncates 100 ms to the fraction 0x19999999; libraries on the wire round it up."""
    body = bytes.fromhex("02000000 00000000 99999919")
    kind, blocking = EVERY[0x001A].shape.read(body, True)
    assert kind is Reliability.RELIABLE  # 2 on the wire, 1 in the API
    assert abs(blocking - SECOND // 10) <= 1
    written = EVERY[0x001A].shape.write((kind, SECOND // 10), True)
    assert written == bytes.fromhex("02000000 00000000 9a999919")


def test_durations() -> None:
    """CHECKS 1.9 (DDSI-RTPS 2.5, 9.3.2)."""
    assert duration_wire(0) == (0, 0)
    assert duration_wire(INFINITE) == (0x7FFFFFFF, 0xFFFFFFFF)
    assert duration_ns(0x7FFFFFFF, 0xFFFFFFFF) == INFINITE
    assert duration_ns(0x7FFFFFFF, 0x7FFFFFFF) == INFINITE  # the API's notation
    assert duration_wire(SECOND // 2) == (0, 0x80000000)
    assert duration_wire(SECOND // 10)[1] in {0x19999999, 0x1999999A}
    assert EVERY[0x0023].shape.write((INFINITE,), True).hex() == "ffffff7fffffffff"
    with pytest.raises(WireError):
        duration_ns(-1, 0)


def test_times() -> None:
    """CHECKS 1.9."""
    assert time_wire(1_537_045_491 * SECOND) == (1_537_045_491, 0)
    assert struct.pack("<II", *time_wire(1_537_045_491 * SECOND)).hex() == "f3739d5b00000000"
    nanoseconds = time_ns(*struct.unpack("<II", bytes.fromhex("786E8C5A7EE02A4F")))
    assert nanoseconds == 1_519_152_760 * SECOND + (1_328_210_046 * SECOND >> 32)
    seconds, fraction = time_wire(1_519_152_761 * SECOND + 328_210_046)
    assert seconds == 1_519_152_761
    assert fraction - 1_409_651_413 in {0, 1}  # the published one truncates
    assert time_ns(*INVALID_TIME) is None
    assert time_wire(None) == INVALID_TIME


@given(st.integers(0, (1 << 31) * SECOND))
def test_nanoseconds_survive(ns: int) -> None:
    assert time_ns(*time_wire(ns)) == ns
    seconds, fraction = duration_wire(ns)
    assert duration_ns(seconds, fraction) == (ns if seconds < 0x7FFFFFFF else INFINITE)


@pytest.mark.parametrize(("locator", "expected"), [
    (Locator(1, "127.0.0.1", 8080), "01000000 901F0000" + "00" * 12 + "7F000001"),
    (Locator(2, "ff00:4501::32", 7171), "02000000 031C0000 FF004501" + "00" * 8 + "00000032"),
    (Locator(-1, "00" * 16, 0), "FFFFFFFF 00000000" + "00" * 16),
    (Locator(16, "02" + "00" * 15, 7411), "10000000 F31C0000 02" + "00" * 15),
])  # fmt: skip
def test_published_locator_vectors(locator: Locator, expected: str) -> None:
    """CHECKS 1.10; the last one is a shared-memory locator as Fast DDS announces it (WIRE 9)."""
    raw = bytes.fromhex(expected)
    assert write_locator(locator, True) == raw
    assert read_locator(raw, True) == locator
    swapped = write_locator(locator, False)
    assert swapped[8:] == raw[8:]
    assert read_locator(swapped, False) == locator
    assert locator.kind in set(Kind)


@pytest.mark.parametrize(("key", "encoded", "expected"), [
    ("BLUE", "00000005 424C554500", "cac217c318363f8ef1160eeedef9e886"),
    ("RED", "00000004 52454400", "d36de865fac295155f18df7157b217e6"),
    ("GREEN", "00000006 475245454E00", "30219b4293ba6b3fee6a4fe029813882"),
])  # fmt: skip
def test_published_key_hashes(key: str, encoded: str, expected: str) -> None:
    """CHECKS 1.11 (DDSI-RTPS 2.5, 9.6.4.8): MD5 of the big-endian key, as it stands in a parameter."""
    body = EVERY[0x0005].shape.write((key,), False)
    assert body == bytes.fromhex(encoded)
    inline = write_list([(0x0070, md5(body).digest())], True)
    found = read_list(inline, 0, True, carried_by("I"))
    assert found.values["key_hash"].hex() == expected


def test_status_info_is_big_endian_whatever_the_list() -> None:
    """CHECKS 1.6 (DDSI-RTPS 2.5, 9.6.4.9): byte 3 is disposed 1, unregistered 2, filtered 4."""
    for little in (True, False):
        found = read_list(write_list([(0x0071, b"\0\0\0\3")], little), 0, little, carried_by("I"))
        assert Status(found.values["status"]) == Status.DISPOSED | Status.UNREGISTERED


# ---- scapy on real traffic ---------------------------------------------------------------------------

# Where scapy 2.8.0 reads something else than the standard has, and how the comparison goes around it:
# - it takes a PAD parameter for two bytes; it has a length like any other (DDSI-RTPS 2.5, 9.4.2.11)
# - it reads a participant message behind every announcement of 0x000100C2, and swallows the submessages that
#   follow (the announcement is the whole payload: 8.5.3 and 9.6.3): every DATA is given to it on its own
# - it reads 0x800F as one vendor's four-byte domain id and goes on inside the parameter, where another vendor
#   sends 24 bytes (vendor range: 9.6.3.2): the DATA is given to it without its inline QoS
# - it reads the address of UDPv4 locators only, and goes on inside the others; a locator has 24 bytes of any
#   kind (9.3.2): a list with shared-memory locators is compared up to the first of them


def scapy_list(sent: Sent) -> list[Packet]:
    """The parameter packets of one announcement."""
    body = struct.pack("<HHI", 0, 16, 0) + struct.pack(">I", sent.writer) + bytes(8) + sent.payload
    flags = sent.flags & ~Flag.INLINE_QOS
    message = b"RTPS" + bytes(16) + struct.pack("<BBH", Sub.DATA, flags, len(body)) + body
    (submessage,) = RTPS(message).payload.submessages
    return list(submessage.data.parameterList.parameterValues)


def up_to_other_locators(packets: list[Packet]) -> list[Packet]:
    kinds = [getattr(getattr(packet, "locator", None), "locatorKind", Kind.UDP4) for packet in packets]
    return packets[: next((place for place, kind in enumerate(kinds) if kind != Kind.UDP4), None)]


def scapy_values(packet: Packet) -> tuple[Any, ...]:
    """What scapy makes of one parameter, as our nouns; () where it leaves the bytes as they are."""
    for name in ("protocolVersion", "vendorId", "locator", "guid"):
        part = getattr(packet, name, None)
        if isinstance(part, ProtocolVersionPacket):
            return ((part.major, part.minor),)
        if isinstance(part, VendorIdPacket):
            return (part.vendor_id,)
        if isinstance(part, LocatorPacket):
            return (Locator(part.locatorKind, part.address, part.port),)
        if isinstance(part, GUIDPacket):
            return (Guid(struct.pack(">III", part.hostId, part.appId, part.instanceId), part.entityId),)
    return ()


def test_every_parameter_of_real_traffic_as_scapy_has_it() -> None:
    compared = typed = cut = 0
    for sent in samples():
        if sent.payload[:2] != b"\0\3":
            continue  # participant messages are no lists
        packets = up_to_other_locators(scapy_list(sent))
        found = read_list(sent.payload, 4, True, EVERY)
        assert found.malformed == []
        assert found.sent[: len(packets)] == [packet.parameterId for packet in packets]
        cut += len(found.sent) > len(packets)
        at = 4
        for packet in packets:
            pid, length = struct.unpack_from("<HH", sent.payload, at)
            body = sent.payload[at + 4 : at + 4 + length]
            at += 4 + length
            assert packet.parameterLength == length
            assert bytes(packet)[4:] == body
            expected = scapy_values(packet)
            if expected:
                assert EVERY[pid].shape.read(body, True) == expected
                typed += 1
            compared += 1
    assert cut == 1
    assert compared > 6000
    assert typed > 1000


# ---- bytes that lie ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("raw", "why"), [
    ("", "parameter list without its sentinel"),
    ("1D000400 01000000", "parameter list without its sentinel"),
    ("1D00FF00 01000000", "parameter longer than the list"),
    ("1D000200 0100 01000000", "parameter length not a multiple of four"),
    ("1D000400 09000000 01000000", "kind that the standard does not have"),
    ("1A000400 01000000 01000000", "parameter shorter than its value"),
    ("1D000800 01000000 00000000 01000000", "parameter longer than its value"),
    ("05000800 FF000000 41420000 01000000", "string longer than its bytes"),
    ("02000800 FFFFFFFF 00000000 01000000", "negative duration"),
    ("29000400 FFFFFFFF 01000000", "sequence longer than its bytes or than any real one"),
])  # fmt: skip
def test_reasons_have_a_place_and_fixed_words(raw: str, why: str) -> None:
    data = bytes.fromhex(raw)
    found = read_list(data, 0, True, EVERY)
    assert why in [bad.why for bad in found.malformed]
    assert all(isinstance(bad, Malformed) and 0 <= bad.offset <= len(data) for bad in found.malformed)
    assert not any(re.search(r"\d", bad.why) for bad in found.malformed)


def test_unknown_and_unreadable_parameters_are_kept() -> None:
    raw = write_list([(0x8123, b"abcd"), (0x001D, b"\xff\xff\xff\xff"), (0x001D, b"\1\0\0\0")], True)
    found = read_list(raw, 0, True, EVERY)
    assert found.other == [(0x8123, b"abcd"), (0x001D, b"\xff\xff\xff\xff")]
    assert found.values == {"durability": Durability.TRANSIENT_LOCAL}


@settings(max_examples=500, deadline=None)
@given(st.sampled_from(sorted(EVERY)), st.binary(max_size=64), st.booleans())
def test_any_body_reads_or_is_a_wire_error(pid: int, body: bytes, little: bool) -> None:
    """And what was read writes back to something that reads the same."""
    shape = BY_ID[pid].shape
    raw = write_list([(pid, body)], little)
    found = read_list(raw, 0, little, EVERY)
    assert all(0 <= bad.offset <= len(raw) for bad in found.malformed)
    with suppress(WireError):
        again(shape, body, little)


def again(shape: Shape, body: bytes, little: bool) -> None:
    values = shape.read(body, little)
    written = shape.write(values, little)
    assert shape.read(written, little) == values


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(2, 0xFFFF), st.binary(max_size=12)), max_size=6), st.booleans())
def test_lists_of_anything_come_back(parts: list[tuple[int, bytes]], little: bool) -> None:
    found = read_list(write_list(parts, little), 0, little, {})
    padded = [(pid, body + bytes(-len(body) % 4)) for pid, body in parts]
    assert (found.other, found.malformed) == (padded, [])


def test_every_row_fits_the_data_that_it_fills() -> None:
    """A field that no announcement has would be read and then refused."""
    letters = {
        "P": [ParticipantData],
        "W": [EndpointData, Qos],
        "R": [EndpointData, Qos],
        "T": [TopicData, Qos],
    }
    for letter, nouns in letters.items():
        known = {f.name for noun in nouns for f in fields(noun)}
        assert {name for row in carried_by(letter).values() for name in row.fields} <= known
    assert all(set(row.carried_by) <= set("PWRTI") for row in PARAMETERS)
    assert set(READERS) == {0x000100C2, 0x000003C2, 0x000004C2, 0x000002C2, 0x000200C2}
