"""Announcements: real ones byte for byte, any ones there and back, damaged ones without a crash.

Sources: announcements of Cyclone DDS 11.0.1 and Fast DDS 2.9.1 (`tests.wire.datagrams`); DDSI-RTPS 2.5, 8.5
and 9.6; defaults of DDS 1.4, 2.2.3; type hashes by Cyclone's own type library.
"""

from __future__ import annotations

import random
from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.wire.datagrams import READERS, SHARED, WRITERS, Sent, announcements, raw_messages, samples
from toprung.model.picture import Guid, Locator, Side
from toprung.model.qos import (
    INFINITE,
    AccessScope,
    DestinationOrder,
    Durability,
    History,
    Liveliness,
    Ownership,
    Qos,
    Reliability,
)
from toprung.wire.announcements import (
    EndpointData,
    InlineQos,
    LivelinessData,
    ParticipantData,
    Reading,
    Status,
    TopicData,
)
from toprung.wire.discovery import (
    DEFAULT_QOS,
    read_endpoint,
    read_inline_qos,
    read_liveliness,
    read_participant,
    read_topic,
    write_endpoint,
    write_inline_qos,
    write_liveliness,
    write_participant,
    write_topic,
)
from toprung.wire.ids import EntityId
from toprung.wire.limits import MAX_MALFORMED
from toprung.wire.parameters import BY_ID, write_list
from toprung.wire.shapes import write_guid
from toprung.wire.structs import (
    Coercion,
    ContentFilter,
    DurabilityService,
    SampleIdentity,
    TypeConsistency,
)
from toprung.wire.typeinfo import TypeHashes, type_hashes

PREFIX = bytes(range(1, 13))
GUID = Guid(PREFIX, 0x00000103)


def by_shape() -> list[Sent]:
    """One announcement of each kind, sender and choice of parameters."""
    chosen: dict[Any, Sent] = {}
    for sent in samples():
        data = sent.read().data
        chosen.setdefault((sent.writer, getattr(data, "sent", ()), bool(sent.inline)), sent)
    return list(chosen.values())


# ---- real ones ---------------------------------------------------------------------------------------


def check_exact(sent: Sent) -> None:
    reading = sent.read()
    assert reading.malformed == ()
    assert reading.data is not None
    assert WRITERS[EntityId(sent.writer)](reading.data, True) == sent.payload


def test_real_announcements_are_read_whole_and_written_byte_for_byte() -> None:
    assert len(samples()) == 507
    for sent in samples():
        check_exact(sent)


@pytest.mark.skipif(not SHARED.is_dir(), reason="the captures are not beside the repository")
def test_every_announcement_of_the_shared_captures_byte_for_byte() -> None:
    """What the fixture was made of, and whatever came since."""
    seen = {sent for message in raw_messages(SHARED) for sent in announcements(message)}
    assert len(seen) >= 507
    for sent in seen:
        check_exact(sent)


def test_what_real_announcements_say() -> None:
    """WIRE 1, 2, 4, 6, 9: what the two libraries are known to send."""
    participants = [d for s in samples() if isinstance(d := s.read().data, ParticipantData)]
    cyclone = [d for d in participants if d.vendor == 0x0110]
    fast = [d for d in participants if d.vendor == 0x010F]
    assert {d.domain for d in fast} == {None}
    assert None not in {d.domain for d in cyclone}
    assert {d.lease_ns for d in cyclone} == {10_000_000_000}
    assert {locator.kind for d in fast for locator in d.default_unicast} == {1, 16}
    assert not any(d.secured for d in participants)
    endpoints = [d for s in samples() if isinstance(d := s.read().data, EndpointData)]
    silent = [d for d in endpoints if 0x001A not in d.sent]
    assert {d.qos.reliability for d in silent} == {Reliability.RELIABLE}
    assert {d.side for d in silent} == {Side.WRITER}
    assert {d.type_information is None for d in endpoints if d.vendor == 0x010F} == {True}
    assert {d.type_information is None for d in endpoints if d.vendor == 0x0110} == {False}


def test_the_relayed_announcements_of_a_server_name_the_sample_they_repeat() -> None:
    """WIRE 12: under the server's prefix, with the described participant only in the payload."""
    relayed = [sent for sent in samples() if sent.inline]
    assert relayed
    for sent in relayed:
        inline = read_inline_qos(sent.inline, sent.little)
        assert inline.malformed == ()
        assert isinstance(inline.data.related, SampleIdentity)
        assert inline.data.status == Status.ALIVE


# ---- defaults ----------------------------------------------------------------------------------------


def test_what_is_not_sent_has_the_default_of_its_side() -> None:
    """DDS 1.4, 2.2.3: a writer is reliable, a reader best effort (WIRE 6)."""
    for side in Side:
        payload = write_endpoint(EndpointData(side, GUID, topic="beds", qos=DEFAULT_QOS[side]))
        data = read_endpoint(payload, side).data
        assert data.sent == (0x005A, 0x0005)
        assert data.qos == DEFAULT_QOS[side]
    assert DEFAULT_QOS[Side.WRITER].reliability is Reliability.RELIABLE
    assert DEFAULT_QOS[Side.READER].reliability is Reliability.BEST_EFFORT
    participant = read_participant(write_participant(ParticipantData(GUID))).data
    assert (participant.lease_ns, participant.domain) == (100_000_000_000, None)  # 9.6.3, table 9.18


def test_security_tokens_are_seen_and_kept() -> None:
    data = ParticipantData(GUID, unknown=((0x1001, b"abcd"),))
    assert read_participant(write_participant(data)).data.secured
    assert not read_participant(write_participant(ParticipantData(GUID))).data.secured


# ---- goodbyes ----------------------------------------------------------------------------------------

GONE = Status.DISPOSED | Status.UNREGISTERED


@pytest.mark.parametrize("little", [True, False])
def test_goodbyes_by_key_and_by_key_hash(little: bool) -> None:
    """DDSI-RTPS 2.5, 9.6.4.8 and 9.6.4.9: the key as a list, in plain CDR, or as the hash alone."""
    inline = write_inline_qos(InlineQos(status=GONE, key_hash=write_guid(GUID)), little)
    bare = write_inline_qos(InlineQos(status=GONE), little)
    for payload, qos in [
        (write_participant(ParticipantData(GUID, status=GONE), little), bare),
        (b"\0\0\0\0" + write_guid(GUID), bare),
        (b"", inline),
    ]:
        reading = read_participant(payload, qos, little)
        assert (reading.data.guid, reading.data.status, reading.malformed) == (GUID, GONE, ())
    reading = read_endpoint(b"", Side.READER, inline, little)
    assert (reading.data.guid, reading.data.side, reading.data.status) == (GUID, Side.READER, GONE)
    assert read_topic(b"", inline, little).data.status == GONE


def test_nobody_is_nothing() -> None:
    for reading in (read_participant(b""), read_endpoint(b"\0\3\0\0\1\0\0\0", Side.WRITER), read_topic(b"")):
        assert reading.data is None
        assert reading.malformed


# ---- any ones, there and back ------------------------------------------------------------------------

TEXT = st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)
SPANS = st.one_of(st.just(INFINITE), st.just(0), st.integers(0, (1 << 31) * 1_000_000_000 - 2_000_000_000))
U32 = st.integers(0, 0xFFFFFFFF)
I32 = st.integers(-(1 << 31), (1 << 31) - 1)
GUIDS = st.builds(Guid, st.binary(min_size=12, max_size=12), U32)
IP4 = st.ip_addresses(v=4).map(str)
IP6 = st.ip_addresses(v=6).map(str)
RAW16 = st.binary(min_size=16, max_size=16)
LOCATORS = st.lists(
    st.one_of(
        st.builds(Locator, st.sampled_from([1, 4]), IP4, U32),
        st.builds(Locator, st.sampled_from([2, 8]), IP6, U32),
        st.builds(Locator, st.sampled_from([-1, 0, 16, 77]), RAW16.map(bytes.hex), U32),
    ),
    max_size=3,
).map(tuple)
PAIRS = st.lists(st.tuples(TEXT, TEXT), max_size=3).map(tuple)
BYTES = st.binary(max_size=9)
WORDS = st.binary(max_size=5).map(lambda raw: raw + bytes(-len(raw) % 4))
UNKNOWN = st.lists(st.tuples(st.integers(0x8100, 0x81FF), WORDS), max_size=3).map(tuple)
VERSION = st.none() | st.tuples(st.integers(0, 255), st.integers(0, 255))
SERVICE = st.builds(DurabilityService, SPANS, st.sampled_from(History), I32, I32, I32, I32)
CONSISTENCY = st.builds(TypeConsistency, st.sampled_from(Coercion), *[st.booleans()] * 5)
FILTER = st.none() | st.builds(ContentFilter, TEXT, TEXT, TEXT, TEXT, st.lists(TEXT, max_size=2).map(tuple))
QOS = st.builds(
    Qos,
    reliability=st.sampled_from(Reliability), durability=st.sampled_from(Durability), deadline_ns=SPANS,
    latency_budget_ns=SPANS, liveliness=st.sampled_from(Liveliness), liveliness_lease_ns=SPANS,
    ownership=st.sampled_from(Ownership), ownership_strength=st.just(0),
    destination_order=st.sampled_from(DestinationOrder), access_scope=st.sampled_from(AccessScope),
    coherent_access=st.booleans(), ordered_access=st.booleans(),
    partition=st.lists(TEXT, max_size=3).map(tuple),
    representation=st.lists(st.integers(-3, 9), max_size=3).map(tuple), history=st.sampled_from(History),
    history_depth=I32, max_samples=I32, max_instances=I32, max_samples_per_instance=I32, lifespan_ns=SPANS,
    time_based_filter_ns=SPANS, transport_priority=st.just(0),
)  # fmt: skip
PARTICIPANTS = st.builds(
    ParticipantData, GUIDS, version=VERSION, vendor=st.integers(0, 0xFFFF), domain=st.none() | U32,
    domain_tag=TEXT, name=TEXT, lease_ns=SPANS, builtin_endpoints=U32, builtin_endpoints_before_2_1=U32,
    builtin_endpoint_qos=U32, manual_liveliness_count=I32, metatraffic_unicast=LOCATORS,
    metatraffic_multicast=LOCATORS, default_unicast=LOCATORS, default_multicast=LOCATORS,
    expects_inline_qos=st.booleans(), properties=PAIRS, user_data=BYTES, key_hash=st.none() | RAW16,
    binary_properties=st.none() | st.lists(st.tuples(TEXT, BYTES), max_size=2).map(tuple), unknown=UNKNOWN,
)  # fmt: skip
ENDPOINTS = st.builds(
    EndpointData, st.just(Side.READER), GUIDS, participant=st.none() | GUIDS, group=st.none() | GUIDS,
    group_entity=st.none() | U32, topic=TEXT, type_name=TEXT, qos=QOS, max_blocking_ns=SPANS,
    durability_service=SERVICE, unicast=LOCATORS, multicast=LOCATORS, version=VERSION,
    vendor=st.integers(0, 0xFFFF), name=TEXT, type_information=st.none() | WORDS,
    type_object=st.none() | WORDS, type_max_size=st.none() | U32, type_consistency=CONSISTENCY,
    content_filter=FILTER, expects_inline_qos=st.booleans(), properties=PAIRS, user_data=BYTES,
    topic_data=BYTES, group_data=BYTES, key_hash=st.none() | RAW16, unknown=UNKNOWN,
)  # fmt: skip
TOPICS = st.builds(
    TopicData, st.none() | GUIDS, topic=TEXT.filter(bool), type_name=TEXT,
    qos=QOS.map(lambda q: replace(q, partition=(), access_scope=AccessScope.INSTANCE, coherent_access=False,
                                  ordered_access=False, time_based_filter_ns=0, transport_priority=7)),
    max_blocking_ns=SPANS, durability_service=SERVICE, topic_data=BYTES, unknown=UNKNOWN,
    type_information=st.none() | WORDS,
)  # fmt: skip


def check_return(reading: Reading[Any], data: Any, write: Any, payload: bytes, little: bool) -> None:
    assert reading.malformed == ()
    assert replace(reading.data, sent=()) == data
    assert write(reading.data, little) == payload


@settings(max_examples=60, deadline=None)
@given(PARTICIPANTS, st.booleans())
def test_any_participant_comes_back(data: ParticipantData, little: bool) -> None:
    payload = write_participant(data, little)
    check_return(read_participant(payload), data, write_participant, payload, little)


@settings(max_examples=60, deadline=None)
@given(ENDPOINTS, st.booleans(), st.integers(0, 9), st.integers(0, 9))
def test_any_endpoint_comes_back(data: EndpointData, little: bool, strength: int, priority: int) -> None:
    writer = replace(
        data, side=Side.WRITER, content_filter=None, type_consistency=TypeConsistency(),
        expects_inline_qos=False,
        qos=replace(data.qos, ownership_strength=strength, transport_priority=priority),
    )  # fmt: skip
    for one in (data, writer):
        payload = write_endpoint(one, little)
        check_return(read_endpoint(payload, one.side), one, write_endpoint, payload, little)


@settings(max_examples=40, deadline=None)
@given(TOPICS, st.booleans())
def test_any_topic_comes_back(data: TopicData, little: bool) -> None:
    payload = write_topic(data, little)
    check_return(read_topic(payload), data, write_topic, payload, little)


@given(st.binary(min_size=12, max_size=12), U32, BYTES, st.booleans())
def test_any_liveliness_comes_back(prefix: bytes, kind: int, content: bytes, little: bool) -> None:
    data = LivelinessData(prefix, kind, content)
    payload = write_liveliness(data, little)
    assert len(payload) % 4 == 0
    assert read_liveliness(payload) == Reading(data)


IDENTITIES = st.none() | st.builds(SampleIdentity, GUIDS, st.integers(-(1 << 63), (1 << 63) - 1))


@given(
    st.builds(InlineQos, st.integers(0, 7).map(Status), st.none() | RAW16, IDENTITIES, IDENTITIES, UNKNOWN),
    st.booleans(),
)
def test_any_inline_qos_comes_back(data: InlineQos, little: bool) -> None:
    assert read_inline_qos(write_inline_qos(data, little), little) == Reading(data)


# ---- damaged ones ------------------------------------------------------------------------------------


def survive(sent: Sent, payload: bytes, inline: bytes) -> None:
    reading = READERS[EntityId(sent.writer)](payload, inline, sent.little)
    assert len(reading.malformed) <= 2 * MAX_MALFORMED
    assert reading.data is not None or reading.malformed
    if reading.data is not None:
        WRITERS[EntityId(sent.writer)](reading.data, True)


def test_announcements_cut_at_every_byte() -> None:
    for sent in by_shape():
        for end in range(len(sent.payload)):
            survive(sent, sent.payload[:end], sent.inline)
        for end in range(len(sent.inline)):
            survive(sent, sent.payload, sent.inline[:end])


@pytest.mark.parametrize("mask", [0xFF, 0x80, 0x01])
def test_announcements_flipped_at_every_byte(mask: int) -> None:
    for sent in by_shape():
        for place in range(len(sent.payload)):
            damaged = bytearray(sent.payload)
            damaged[place] ^= mask
            survive(sent, bytes(damaged), sent.inline)


def test_announcements_with_pieces_moved() -> None:
    """Insertions, repeats and cuts together, seeded."""
    draw = random.Random(7)
    for sent in draw.choices(samples(), k=4000):
        damaged = bytearray(sent.payload)
        for _ in range(draw.choice((1, 2, 6))):
            here, there = draw.randrange(len(damaged) + 1), draw.randrange(len(damaged) + 1)
            piece = draw.choice((damaged[there : there + 64], draw.randbytes(4), b""))
            damaged[here : here + draw.choice((0, 0, 1, 4))] = piece
        survive(sent, bytes(damaged), sent.inline)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(sorted(READERS)), st.binary(max_size=120), st.binary(max_size=40), st.booleans())
def test_any_bytes_are_an_answer(writer: int, body: bytes, inline: bytes, list_like: bool) -> None:
    payload = b"\0\3\0\0" + body if list_like else body
    reading = READERS[EntityId(writer)](payload, inline, True)
    assert isinstance(reading, Reading)


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from([EntityId.PARTICIPANT_WRITER, EntityId.SUBSCRIPTIONS_WRITER, EntityId.TOPICS_WRITER]),
    st.lists(st.tuples(st.sampled_from(sorted(BY_ID)), st.binary(max_size=40)), max_size=8),
)
def test_any_parameters_are_an_answer(writer: int, parts: list[tuple[int, bytes]]) -> None:
    reading = READERS[EntityId(writer)](b"\0\3\0\0" + write_list(parts, True))
    if reading.data is not None:
        assert set(reading.data.sent) == {pid for pid, _ in parts}


# ---- types -------------------------------------------------------------------------------------------


def test_type_hashes_of_real_announcements() -> None:
    """WIRE 7: one type has one pair of hashes, whoever announces it; another definition has another."""
    found: dict[str, set[TypeHashes]] = {}
    for sent in samples():
        data = sent.read().data
        if getattr(data, "type_information", None):
            hashes = type_hashes(data.type_information)
            assert len(hashes.minimal) == len(hashes.complete) == 14
            found.setdefault(data.type_name, set()).add(hashes)
    assert found
    assert len({hashes for group in found.values() for hashes in group}) >= len(found)
    assert sum(len(group) == 1 for group in found.values()) >= len(found) - 1


def test_damaged_type_information_has_no_hashes_or_some() -> None:
    information = next(
        d.type_information for s in samples() if getattr(d := s.read().data, "type_information", None)
    )
    assert type_hashes(b"") is None
    for end in range(len(information)):
        assert isinstance(type_hashes(information[:end]), TypeHashes | None)
    for place in range(len(information)):
        damaged = bytearray(information)
        damaged[place] ^= 0xFF
        assert isinstance(type_hashes(bytes(damaged)), TypeHashes | None)


def test_every_field_of_an_announcement_is_carried_by_a_parameter() -> None:
    carried = {name for row in BY_ID.values() for name in row.fields} | {"guid"}
    own = {"side", "status", "qos", "unknown", "sent"}
    for noun in (ParticipantData, EndpointData, TopicData):
        assert {f.name for f in fields(noun)} - own <= carried
    assert {f.name for f in fields(Qos)} <= carried
