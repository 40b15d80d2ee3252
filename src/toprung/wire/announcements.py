"""What participants and endpoints announce of themselves, as data (DDSI-RTPS 2.5, 8.5 and 9.6).

`sent` holds the parameter ids in the order of the wire.  What is not in it was left at its default.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntFlag
from typing import Generic, TypeVar

from toprung.model.picture import Guid, Locator, Side
from toprung.model.qos import Qos
from toprung.wire.parameters import SECURITY, Malformed
from toprung.wire.structs import ContentFilter, DurabilityService, SampleIdentity, TypeConsistency

DEFAULT_LEASE_NS = 100_000_000_000  # DDSI-RTPS 2.5, 9.6.3, table 9.18
DEFAULT_MAX_BLOCKING_NS = 100_000_000  # DDS 1.4, 2.2.3

LIVELINESS_AUTOMATIC = 1  # PARTICIPANT_MESSAGE_DATA_KIND_*, DDSI-RTPS 2.5, 9.6.3.1
LIVELINESS_MANUAL = 2

T = TypeVar("T")
Unknown = tuple[tuple[int, bytes], ...]


class Status(IntFlag):
    """What became of an instance (StatusInfo_t, DDSI-RTPS 2.5, 9.6.4.9); 0: it is alive."""

    ALIVE = 0
    DISPOSED = 1
    UNREGISTERED = 2
    FILTERED = 4


@dataclass(frozen=True, slots=True)
class Reading(Generic[T]):
    """What a payload says (None: not even who it is about), and what in it could not be read."""

    data: T | None
    malformed: tuple[Malformed, ...] = ()


@dataclass(frozen=True, slots=True)
class InlineQos:
    """The parameters before a payload."""

    status: Status = Status.ALIVE
    key_hash: bytes | None = None
    original: SampleIdentity | None = None  # the sample that this one repeats for another writer
    related: SampleIdentity | None = None  # the sample that this one answers
    unknown: Unknown = ()


@dataclass(frozen=True, slots=True)
class ParticipantData:
    """One participant's announcement (SPDP), or its goodbye, which says little besides its `status`."""

    guid: Guid | None
    status: Status = Status.ALIVE
    version: tuple[int, int] | None = None
    vendor: int = 0  # as in 0x010F; 0: not said
    domain: int | None = None
    domain_tag: str = ""
    name: str = ""
    lease_ns: int = DEFAULT_LEASE_NS
    builtin_endpoints: int = 0
    builtin_endpoints_before_2_1: int = 0
    builtin_endpoint_qos: int = 0
    manual_liveliness_count: int = 0
    metatraffic_unicast: tuple[Locator, ...] = ()
    metatraffic_multicast: tuple[Locator, ...] = ()
    default_unicast: tuple[Locator, ...] = ()
    default_multicast: tuple[Locator, ...] = ()
    expects_inline_qos: bool = False
    properties: tuple[tuple[str, str], ...] = ()
    binary_properties: tuple[tuple[str, bytes], ...] | None = None
    user_data: bytes = b""
    key_hash: bytes | None = None
    unknown: Unknown = ()  # (id, bytes), as sent; vendors' own and those that we know by name only
    sent: tuple[int, ...] = ()

    @property
    def secured(self) -> bool:
        """Whether it carries security tokens."""
        return any(pid in SECURITY for pid, _ in self.unknown)


@dataclass(frozen=True, slots=True)
class EndpointData:
    """One writer's or reader's introduction (SEDP), or its goodbye."""

    side: Side
    guid: Guid | None
    status: Status = Status.ALIVE
    participant: Guid | None = None  # not every library sends it; the prefix of `guid` says the same
    group: Guid | None = None
    group_entity: int | None = None
    topic: str = ""
    type_name: str = ""
    qos: Qos = field(default_factory=Qos)
    max_blocking_ns: int = DEFAULT_MAX_BLOCKING_NS
    durability_service: DurabilityService = field(default_factory=DurabilityService)
    unicast: tuple[Locator, ...] = ()  # empty: the participant's
    multicast: tuple[Locator, ...] = ()
    version: tuple[int, int] | None = None
    vendor: int = 0
    name: str = ""
    type_information: bytes | None = None
    type_object: bytes | None = None
    type_max_size: int | None = None
    type_consistency: TypeConsistency = field(default_factory=TypeConsistency)
    content_filter: ContentFilter | None = None
    expects_inline_qos: bool = False
    properties: tuple[tuple[str, str], ...] = ()
    binary_properties: tuple[tuple[str, bytes], ...] | None = None
    user_data: bytes = b""
    topic_data: bytes = b""
    group_data: bytes = b""
    key_hash: bytes | None = None
    unknown: Unknown = ()
    sent: tuple[int, ...] = ()

    @property
    def secured(self) -> bool:
        """Whether it carries security information."""
        return any(pid in SECURITY for pid, _ in self.unknown)


@dataclass(frozen=True, slots=True)
class TopicData:
    """One topic's announcement (SEDP topics)."""

    guid: Guid | None = None
    status: Status = Status.ALIVE
    topic: str = ""
    type_name: str = ""
    qos: Qos = field(default_factory=Qos)
    max_blocking_ns: int = DEFAULT_MAX_BLOCKING_NS
    durability_service: DurabilityService = field(default_factory=DurabilityService)
    version: tuple[int, int] | None = None
    vendor: int = 0
    name: str = ""
    type_information: bytes | None = None
    type_object: bytes | None = None
    topic_data: bytes = b""
    key_hash: bytes | None = None
    unknown: Unknown = ()
    sent: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class LivelinessData:
    """A participant's word that its writers of one kind live (DDSI-RTPS 2.5, 8.4.13 and 9.6.3.1)."""

    prefix: bytes
    kind: int  # LIVELINESS_AUTOMATIC, LIVELINESS_MANUAL, or a vendor's (top bit set)
    content: bytes = b""
    status: Status = Status.ALIVE


Announcement = ParticipantData | EndpointData | TopicData
