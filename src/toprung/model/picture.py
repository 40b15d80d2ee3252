"""The picture: what captures show of a system, before anybody says what is right or wrong.

Times are integer nanoseconds of the capturing machine's clock since 1970; addresses are strings in
their usual notation; a participant is named by its place in `Picture.participants`.  A number that the
captures cannot give is None, never a guess.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from toprung.model.qos import Qos


@dataclass(frozen=True, slots=True, order=True)
class Mark:
    """One packet of one capture."""

    time_ns: int
    view: int  # index in Picture.views
    packet: int  # 1-based


@dataclass(frozen=True, slots=True)
class Tally:
    """Something seen one or more times."""

    count: int
    bytes: int  # UDP payload
    first: Mark
    last: Mark


@dataclass(frozen=True, slots=True)
class Spread:
    """Quantiles of a measured quantity, in seconds; within 3 % of the exact values (log histogram)."""

    count: int
    least: float
    p05: float
    p50: float
    p95: float
    most: float


@dataclass(frozen=True, slots=True, order=True)
class Guid:
    """A participant's 12-byte prefix and an entity id (big-endian, as the standard prints it)."""

    prefix: bytes
    entity: int

    def __str__(self) -> str:
        return f"{self.prefix.hex()}:{self.entity:08x}"


@dataclass(frozen=True, slots=True, order=True)
class Locator:
    """Where an announcement says that something can be reached.  kind: 1 UDPv4, 2 UDPv6, 16 shared memory."""

    kind: int
    address: str
    port: int


class DomainSource(StrEnum):
    """How a participant's domain is known."""

    PARAMETER = "parameter"
    MULTICAST_PORT = "multicast port"
    UNICAST_PORT = "unicast port"


@dataclass(frozen=True, slots=True)
class View:
    """One capture: one point of view."""

    label: str  # as evidence names it: the file's name
    machine: str | None  # the label that the user gave, or the machine recognised by its addresses
    packets: int
    datagrams: int  # RTPS messages
    first_ns: int
    last_ns: int
    own_addresses: frozenset[str]  # of the capturing machine, where link type or traffic tells
    malformed: dict[str, int] = field(default_factory=dict)  # kind -> count
    unreadable: int = 0  # secured submessages
    short: int = 0  # packets captured shorter than sent
    tail: str | None = None  # why reading ended early, with the place
    headless: int = 0  # fragmented datagrams whose first fragment never came: nobody can say whose they were


@dataclass(frozen=True, slots=True)
class Announced:
    """One participant's announcements (SPDP) to one destination, in one view."""

    view: int
    source: str  # IP source address
    destination: str
    port: int
    multicast: bool
    outgoing: bool | None  # sent by the capturing machine; None where the link type cannot tell
    ttl: int
    tally: Tally
    period: Spread | None  # between consecutive announcements


@dataclass(frozen=True, slots=True)
class Participant:
    """One DomainParticipant (one GUID prefix), as announced and as observed."""

    prefix: bytes
    vendor: int  # OMG vendor id, 0x010F for example
    version: tuple[int, int] | None
    domain: int | None
    domain_source: DomainSource | None
    domain_tag: str
    name: str
    properties: dict[str, str]
    metatraffic_unicast: tuple[Locator, ...]
    metatraffic_multicast: tuple[Locator, ...]
    default_unicast: tuple[Locator, ...]
    default_multicast: tuple[Locator, ...]
    lease_ns: int | None
    builtin_endpoints: int
    secured: bool  # carries security tokens, or sends secured submessages
    unknown_parameters: tuple[tuple[int, bytes], ...]
    described: Mark | None  # the first announcement that could be decoded; None: known by traffic only
    first_heard: Mark
    last_heard: Mark  # any datagram under this prefix
    goodbye: Mark | None
    announced: tuple[Announced, ...]
    sources: tuple[str, ...]  # IP source addresses of its datagrams, busiest first
    relayed_by: tuple[bytes, ...]  # prefixes of others (a discovery server) that described it
    serves: bool  # a discovery server: passes on announcements of others


class Side(StrEnum):
    """Which end of a flow an endpoint is."""

    WRITER = "writer"
    READER = "reader"


@dataclass(frozen=True, slots=True)
class Endpoint:
    """One DataWriter or DataReader, as announced (SEDP), or known by its traffic only (`topic` is None)."""

    guid: Guid
    participant: int
    side: Side
    topic: str | None
    type_name: str | None
    type_information: bytes | None  # PID 0x0075, as sent
    qos: Qos | None
    unicast: tuple[Locator, ...]
    multicast: tuple[Locator, ...]
    unknown_parameters: tuple[tuple[int, bytes], ...]
    introduced: tuple[Mark, ...]  # first introduction in each view that has one
    removed: Mark | None
    reintroduced: tuple[Mark, ...] = ()  # last introduction in each view that has one


@dataclass(frozen=True, slots=True)
class Stream:
    """Datagrams from one participant to one destination, in one view."""

    view: int
    participant: int  # the sender
    source: str
    destination: str
    port: int
    multicast: bool
    outgoing: bool | None
    ttl: int
    discovery: Tally | None  # datagrams that carry builtin traffic only
    data: Tally | None  # datagrams that carry user traffic
    fragmented: Tally | None  # of them: sent as several IP fragments
    incomplete: Tally | None  # of them: a fragment is missing in this view
    largest_bytes: int  # greatest complete UDP payload
    pieces: int = 0  # IP fragments that this view has of the incomplete ones, all together


@dataclass(frozen=True, slots=True)
class Dialogue:
    """What one writer and one remote reader's participant said about delivery, in one view.

    Heartbeats and acknowledgements of builtin and of user endpoints.  `reader.entity` is 0 where the
    heartbeats went to any reader of that participant; a heartbeat addressed to nobody (multicast) is
    counted in every dialogue of its writer that exists, and before the first of them in one of its own,
    whose reader's prefix is empty.
    """

    view: int
    writer: Guid
    reader: Guid
    heartbeats: Tally | None
    acknacks: Tally | None
    asked_again: int  # acknacks that name missing samples
    written_upto: int  # greatest lastSN of a heartbeat; 0: none
    acknowledged_below: int  # greatest base of an acknack; 0: none
    unanswered: int  # heartbeats that demand an answer (not final) since the last acknack
    unanswered_s: float  # from the first of them to the last
    answer: Spread | None  # from a demanding heartbeat to the next acknack


@dataclass(frozen=True, slots=True)
class Samples:
    """One writer's samples towards one destination address, in one view.

    A router's view has a forwarded stream twice: coming in and going out.  A multicast that is sent on
    several interfaces counts once.  `tally`: DATA and DATA_FRAG submessages, and their payloads' bytes.
    """

    view: int
    writer: Guid
    reader_entity: int  # 0: any reader there
    destination: str
    port: int
    multicast: bool
    outgoing: bool | None
    whole: int  # different sequence numbers that are there completely
    partial: int  # different sequence numbers of which only parts are there
    missing: int  # sequence numbers between first and last that never appear and no GAP excuses
    excused: int  # sequence numbers covered by GAP
    repeats: int  # sequence numbers seen again (resends)
    first_sequence: int
    last_sequence: int
    tally: Tally
    rate_hz: float | None
    between: Spread | None  # inter-arrival of new samples
    age: Spread | None  # capture time less source timestamp; shifted by any clock offset
    payload_bytes: int  # median serialised size, incl. encapsulation
    fragments: int  # IP fragments or DATA_FRAGs of the largest sample
    holes: tuple[Mark, ...]  # the packets just after the first few missing or partial samples


@dataclass(frozen=True, slots=True)
class Crossing:
    """The same datagrams looked for in two views of different machines, in the time that both cover.

    Unicast: from one view's own addresses to the other's.  Multicast: to every other view, also where no link
    joins the two.  Of a very long capture a sample of the datagrams is compared, and only these are counted.
    """

    sender: int  # view
    receiver: int  # view
    source: str
    destination: str
    multicast: bool
    fragmented: bool
    sent: int
    arrived: int
    delay: Spread | None  # receiver's clock less sender's
    first_lost: Mark | None
    last_lost: Mark | None
    largest_arrived_bytes: int
    smallest_lost_bytes: int  # 0: none lost
    between: int = 0  # datagrams that arrived although sent between the first and the last lost one


@dataclass(frozen=True, slots=True)
class ClockPair:
    """How far two capturing machines' clocks are apart (RFC 5905's arithmetic on matched packets)."""

    one: int  # view
    other: int  # view
    offset_s: float  # other's clock less one's
    error_s: float  # half of the least round trip
    drift_ppm: float | None


class NoticeKind(StrEnum):
    """Network traffic besides RTPS that tells of a path."""

    ARP_REQUEST = "arp-request"
    ARP_REPLY = "arp-reply"
    PORT_UNREACHABLE = "port-unreachable"
    HOST_UNREACHABLE = "host-unreachable"
    PROHIBITED = "prohibited"
    TOO_BIG = "too-big"
    TTL_EXCEEDED = "ttl-exceeded"
    REASSEMBLY_EXCEEDED = "reassembly-exceeded"  # a fragment never came


@dataclass(frozen=True, slots=True)
class Notice:
    """ARP and ICMP, told apart by who says it of whom."""

    view: int
    kind: NoticeKind
    source: str  # who says it (the asker of an ARP request)
    about: str  # the address asked for, or the destination that could not be reached
    port: int  # destination port of the datagram that an ICMP message quotes; 0: none
    tally: Tally
    hardware: str = ""  # of an ARP message's sender: "aa:bb:cc:dd:ee:ff"


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A link-layer address that an IP source address was seen with, in one view."""

    view: int
    address: str
    hardware: str
    tally: Tally


@dataclass(frozen=True, slots=True)
class Load:
    """Bytes and datagrams at one machine in one view, over time, in equal bins from `start_ns`."""

    view: int
    start_ns: int
    bin_ns: int
    discovery_in: tuple[int, ...]  # datagrams per bin
    discovery_out: tuple[int, ...]
    discovery_bytes_in: tuple[int, ...]
    discovery_bytes_out: tuple[int, ...]
    data_bytes_in: tuple[int, ...]
    data_bytes_out: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """Everything that the captures show."""

    views: tuple[View, ...]
    participants: tuple[Participant, ...]
    endpoints: tuple[Endpoint, ...]
    streams: tuple[Stream, ...]
    dialogues: tuple[Dialogue, ...]
    samples: tuple[Samples, ...]
    crossings: tuple[Crossing, ...]
    clocks: tuple[ClockPair, ...]
    notices: tuple[Notice, ...]
    neighbours: tuple[Neighbour, ...]
    loads: tuple[Load, ...]


NOTHING = Picture((), (), (), (), (), (), (), (), (), (), ())  # no capture at all
