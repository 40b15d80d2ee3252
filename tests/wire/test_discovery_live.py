"""Our announcements as a live Cyclone DDS 11.0.1 takes them, and its own as we take them.

A participant made of nothing but `toprung.wire` and a UDP socket on the loopback interface introduces itself
to a real one, acknowledges what that one sends, and says goodbye.
"""

import random
import socket
import struct
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import pytest
from cyclonedds.builtin import BuiltinDataReader, BuiltinTopicDcpsPublication, BuiltinTopicDcpsSubscription
from cyclonedds.domain import Domain, DomainParticipant
from cyclonedds.idl import IdlStruct
from cyclonedds.idl.annotations import final
from cyclonedds.idl.types import int32
from cyclonedds.pub import DataWriter, Publisher
from cyclonedds.qos import Policy
from cyclonedds.qos import Qos as CycloneQos
from cyclonedds.sub import DataReader, Subscriber
from cyclonedds.topic import Topic

from tests.wire.datagrams import Sent, announcements
from toprung.model.picture import Guid, Locator, Side
from toprung.model.qos import (
    AccessScope,
    DestinationOrder,
    Durability,
    History,
    Liveliness,
    Ownership,
    Qos,
    Reliability,
)
from toprung.wire import messages
from toprung.wire.announcements import EndpointData, InlineQos, ParticipantData, Status
from toprung.wire.builtins import CLASSIC
from toprung.wire.discovery import write_endpoint, write_inline_qos, write_participant
from toprung.wire.ids import EntityId, Flag, Sub
from toprung.wire.shapes import write_guid
from toprung.wire.structs import DurabilityService
from toprung.wire.typeinfo import type_hashes

DOMAIN = 78
MS = 1_000_000
PATIENCE_S = 10.0
REPEAT_S = 0.5
CONFIGURATION = """<CycloneDDS><Domain><General><AllowMulticast>false</AllowMulticast>
<Interfaces><NetworkInterface name="lo"/></Interfaces></General>
<Discovery><Peers><Peer Address="127.0.0.1:{port}"/></Peers></Discovery></Domain></CycloneDDS>"""
READER_OF = {
    EntityId.PUBLICATIONS_WRITER: EntityId.PUBLICATIONS_READER,
    EntityId.SUBSCRIPTIONS_WRITER: EntityId.SUBSCRIPTIONS_READER,
}


@dataclass
@final
class Bed(IdlStruct, typename="fernhouse::Bed"):
    row: int32


@dataclass
@final
class Pot(IdlStruct, typename="fernhouse::Pot"):
    row: int32
    wet: int32


@dataclass
class Speaker:
    """A participant that is only its announcements."""

    socket: socket.socket
    little: bool
    prefix: bytes = field(default_factory=lambda: random.Random(78).randbytes(12))
    heard: dict[Guid, Any] = field(default_factory=dict)  # newest announcement of each
    sent: list[Sent] = field(default_factory=list)
    kept: list[tuple[bytes, ...]] = field(default_factory=list)  # what it announced itself
    counts: int = 0
    sequence: int = 0

    @property
    def port(self) -> int:
        return self.socket.getsockname()[1]

    @property
    def guid(self) -> Guid:
        return Guid(self.prefix, EntityId.PARTICIPANT)

    def peer(self) -> ParticipantData:
        return next(d for d in self.heard.values() if isinstance(d, ParticipantData))

    def say(self, *submessages: bytes) -> None:
        """To the other participant's discovery port."""
        locator = self.peer().metatraffic_unicast[0]
        whom = messages.info_dst(self.peer().guid.prefix, self.little)
        when = messages.info_ts(time.time_ns(), self.little)
        datagram = messages.message(self.prefix, 0, (whom, when, *submessages))
        self.socket.sendto(datagram, (locator.address, locator.port))

    def introduce(self) -> None:
        here = (Locator(1, "127.0.0.1", self.port),)
        data = ParticipantData(
            self.guid, version=(2, 5), domain=DOMAIN, name="speaker", lease_ns=60_000 * MS,
            builtin_endpoints=CLASSIC, metatraffic_unicast=here, default_unicast=here,
            properties=(("cart", "1"),), user_data=b"fern",
        )  # fmt: skip
        payload = write_participant(data, self.little)
        self.kept.append((messages.data(0, EntityId.PARTICIPANT_WRITER, 1, payload, little=self.little),))
        self.say(*self.kept[-1])

    def announce(self, data: EndpointData) -> None:
        writer = EntityId.PUBLICATIONS_WRITER if data.side is Side.WRITER else EntityId.SUBSCRIPTIONS_WRITER
        self.sequence += 1
        inline = b""
        if data.status:
            qos = InlineQos(status=data.status, key_hash=write_guid(data.guid))
            inline = write_inline_qos(qos, self.little)
        payload = write_endpoint(data, self.little)
        sample = messages.data(
            READER_OF[writer],
            writer,
            self.sequence,
            payload,
            inline,
            key=bool(data.status),
            little=self.little,
        )
        until = messages.heartbeat(
            READER_OF[writer], writer, 1, self.sequence, self.count(), little=self.little
        )
        self.say(sample, until)
        self.kept.append((sample, until))

    def again(self) -> None:
        """Everything announced so far once more: who was not ready the first time asks for it."""
        for submessages in self.kept:
            self.say(*submessages)

    def count(self) -> int:
        self.counts += 1
        return self.counts

    def listen(self, enough: Callable[[], Any]) -> None:
        """Reads and acknowledges until `enough` or patience is over."""
        end = time.monotonic() + PATIENCE_S
        repeat = time.monotonic() + REPEAT_S
        while not enough() and time.monotonic() < end:
            try:
                datagram = self.socket.recv(65536)
            except TimeoutError:
                if time.monotonic() > repeat:
                    repeat = time.monotonic() + REPEAT_S
                    self.again()
                continue
            for sent in announcements(datagram):
                reading = sent.read()
                assert reading.malformed == ()
                if hasattr(reading.data, "guid"):
                    self.sent.append(sent)
                    self.heard[reading.data.guid] = reading.data
            self.acknowledge(datagram)
        assert enough()

    def acknowledge(self, datagram: bytes) -> None:
        at = 20
        while at + 4 <= len(datagram):
            kind, flags, length = struct.unpack_from("<BBH", datagram, at)
            if kind == Sub.HEARTBEAT and not flags & Flag.FINAL:
                writer = struct.unpack_from(">I", datagram, at + 8)[0]
                first, last = (struct.unpack_from("<iI", datagram, at + here)[1] for here in (12, 20))
                if writer in READER_OF and last >= first:
                    self.ask(EntityId(writer), first, last)
            at += 4 + length

    def ask(self, writer: EntityId, first: int, last: int) -> None:
        """For everything once more: this participant remembers nothing."""
        known = len([s for s in self.sent if s.writer == writer])
        missing = range(first, last + 1) if known < last else ()
        base = first if missing else last + 1
        self.say(messages.acknack(READER_OF[writer], writer, base, missing, self.count(), little=self.little))


@pytest.fixture(params=[True, False], ids=["little", "big"])
def meeting(request: pytest.FixtureRequest) -> Iterator[tuple[Speaker, DomainParticipant]]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        sock.settimeout(0.05)
        speaker = Speaker(sock, request.param)
        domain = Domain(DOMAIN, CONFIGURATION.format(port=speaker.port))
        participant = DomainParticipant(DOMAIN)
        speaker.listen(lambda: speaker.heard)
        speaker.introduce()
        yield speaker, participant
        del participant, domain


# One of everything that a writer and a reader can say; what the API cannot set is left out
WRITER_QOS = Qos(
    reliability=Reliability.RELIABLE, durability=Durability.TRANSIENT_LOCAL, deadline_ns=250 * MS,
    latency_budget_ns=7 * MS, liveliness=Liveliness.MANUAL_BY_TOPIC, liveliness_lease_ns=1500 * MS,
    ownership=Ownership.EXCLUSIVE, ownership_strength=9,
    destination_order=DestinationOrder.BY_SOURCE_TIMESTAMP, access_scope=AccessScope.TOPIC,
    coherent_access=True, ordered_access=True, partition=("north", "south*"), representation=(2,),
    history=History.KEEP_LAST, history_depth=5, max_samples=50, max_instances=3, max_samples_per_instance=20,
    lifespan_ns=3000 * MS, transport_priority=4,
)  # fmt: skip
READER_QOS = replace(
    WRITER_QOS, ownership_strength=0, lifespan_ns=Qos().lifespan_ns, transport_priority=0,
    time_based_filter_ns=20 * MS, representation=(0, 2), history=History.KEEP_ALL,
    history_depth=0,  # a depth means nothing to KEEP_ALL; Cyclone sends 0
)  # fmt: skip
SERVICE = DurabilityService(2_000 * MS, History.KEEP_LAST, 3, 40, 4, 10)
GROUP = CycloneQos(
    Policy.PresentationAccessScope.Topic(coherent_access=True, ordered_access=True),
    Policy.Partition(["north", "south*"]),
    Policy.Groupdata(b"greenhouse"),
)
COMMON = (
    Policy.Reliability.Reliable(30 * MS), Policy.Durability.TransientLocal, Policy.Deadline(250 * MS),
    Policy.LatencyBudget(7 * MS), Policy.Liveliness.ManualByTopic(1500 * MS), Policy.Ownership.Exclusive,
    Policy.DestinationOrder.BySourceTimestamp, Policy.ResourceLimits(50, 3, 20), Policy.Userdata(b"fern"),
)  # fmt: skip
OFFERED = CycloneQos(
    *COMMON, Policy.History.KeepLast(5), Policy.OwnershipStrength(9), Policy.Lifespan(3000 * MS),
    Policy.TransportPriority(4), Policy.DataRepresentation(use_xcdrv2_representation=True),
    Policy.DurabilityService(2000 * MS, Policy.History.KeepLast(3), 40, 4, 10), Policy.EntityName("sower"),
)  # fmt: skip
REQUESTED = CycloneQos(
    *COMMON, Policy.History.KeepAll, Policy.TimeBasedFilter(20 * MS),
    Policy.DataRepresentation(use_cdrv0_representation=True, use_xcdrv2_representation=True),
)  # fmt: skip


def endpoint(speaker: Speaker, topic: str) -> EndpointData | None:
    return next((d for d in speaker.heard.values() if getattr(d, "topic", None) == topic), None)


def test_every_policy_that_cyclone_announces(meeting: tuple[Speaker, DomainParticipant]) -> None:
    speaker, participant = meeting
    kept: list[Any] = [Publisher(participant, qos=GROUP), Subscriber(participant, qos=GROUP)]
    kept.append(DataWriter(kept[0], Topic(participant, "beds", Bed), qos=OFFERED))
    kept.append(DataReader(kept[1], Topic(participant, "pots", Pot), qos=REQUESTED))
    speaker.listen(lambda: endpoint(speaker, "beds") and endpoint(speaker, "pots"))
    writer, reader = endpoint(speaker, "beds"), endpoint(speaker, "pots")
    assert (writer.side, writer.type_name, writer.qos) == (Side.WRITER, "fernhouse::Bed", WRITER_QOS)
    assert (reader.side, reader.type_name, reader.qos) == (Side.READER, "fernhouse::Pot", READER_QOS)
    assert writer.max_blocking_ns == 30 * MS
    assert writer.durability_service == SERVICE
    assert (writer.user_data, writer.group_data, writer.name) == (b"fern", b"greenhouse", "sower")
    assert writer.guid.prefix == reader.guid.prefix == speaker.peer().guid.prefix
    assert speaker.peer().domain == DOMAIN
    for data, kind in ((writer, Bed), (reader, Pot)):
        theirs = kind.__idl__.get_type_info().minimal.typeid_with_size.type_id
        assert type_hashes(data.type_information).minimal == bytes(theirs.equivalence_hash)
    for sent in speaker.sent:  # and back, byte for byte
        if sent.writer in READER_OF:
            assert write_endpoint(sent.read().data, True) == sent.payload


def test_cyclone_takes_our_writer_and_reader(meeting: tuple[Speaker, DomainParticipant]) -> None:
    speaker, participant = meeting
    kept: list[Any] = [Publisher(participant, qos=GROUP), Subscriber(participant, qos=GROUP)]
    writer = DataWriter(kept[0], Topic(participant, "pots", Pot), qos=OFFERED)
    reader = DataReader(kept[1], Topic(participant, "beds", Bed), qos=REQUESTED)
    ours = EndpointData(
        Side.WRITER, Guid(speaker.prefix, 0x00000103), topic="beds", type_name="fernhouse::Bed",
        qos=WRITER_QOS,
        max_blocking_ns=30 * MS, durability_service=SERVICE, user_data=b"fern", group_data=b"greenhouse",
        participant=speaker.guid, version=(2, 5),
    )  # fmt: skip
    wants = EndpointData(
        Side.READER, Guid(speaker.prefix, 0x00000204), topic="pots", type_name="fernhouse::Pot",
        qos=READER_QOS,
        max_blocking_ns=30 * MS, user_data=b"fern", group_data=b"greenhouse", participant=speaker.guid,
    )  # fmt: skip
    speaker.announce(ours)
    speaker.sequence = 0  # the other builtin writer counts for itself
    speaker.announce(wants)
    speaker.listen(lambda: reader.get_subscription_matched_status().current_count)
    speaker.listen(lambda: writer.get_publication_matched_status().current_count)
    found = builtin(participant, BuiltinTopicDcpsPublication, ours.guid)
    assert found.topic_name == "beds"
    check_policies(found.qos, OFFERED)
    check_policies(builtin(participant, BuiltinTopicDcpsSubscription, wants.guid).qos, REQUESTED)
    gone = replace(wants, status=Status.DISPOSED | Status.UNREGISTERED, sent=())
    speaker.announce(gone)
    speaker.listen(lambda: not writer.get_publication_matched_status().current_count)


def test_goodbyes_of_cyclone(meeting: tuple[Speaker, DomainParticipant]) -> None:
    """WIRE 19: DATA with only the key and StatusInfo."""
    speaker, participant = meeting
    writer = DataWriter(Publisher(participant), Topic(participant, "beds", Bed))
    speaker.listen(lambda: endpoint(speaker, "beds"))
    known = endpoint(speaker, "beds")
    del writer
    speaker.listen(lambda: speaker.heard[known.guid].status)
    gone = speaker.heard[known.guid]
    assert gone.status == Status.DISPOSED | Status.UNREGISTERED
    assert (gone.side, gone.topic) == (Side.WRITER, "")
    assert write_endpoint(gone) == speaker.sent[-1].payload


def check_policies(found: CycloneQos, expected: CycloneQos) -> None:
    """Every policy that was set, as Cyclone decoded it from our bytes."""
    decoded = {policy.__scope__: policy for policy in found.policies}
    for policy in (*expected.policies, *GROUP.policies):
        if policy.__scope__ not in {"EntityName", "DurabilityService"}:
            assert decoded[policy.__scope__] == policy


def builtin(participant: DomainParticipant, kind: Any, guid: Guid) -> Any:
    samples = BuiltinDataReader(participant, kind).read(100)
    (found,) = [sample for sample in samples if sample.key.bytes == write_guid(guid)]
    return found
