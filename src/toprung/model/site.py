"""The site: machines, links, participants and topics as somebody declared them.

Immutable data in base units; the unit is in the field's name.  None means "left out": unknown, never a
fault.  Fleets are written out already: every copy's machines, participants and topics stand here by name.
`toprung.model.site_file` reads a site from YAML, `toprung.model.site_text` writes it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from ipaddress import IPv4Interface, IPv6Interface
from typing import TypeVar

from toprung.model.ladder import Flow
from toprung.model.qos import Qos, Reliability

Address = IPv4Interface | IPv6Interface


class Naming(StrEnum):
    """How topic and type names of the site appear on the wire."""

    PLAIN = "plain"
    PREFIXED = "prefixed"


class Role(StrEnum):
    BASE = "base"
    COMPANION = "companion"
    STATION = "station"
    SENSOR = "sensor"
    OTHER = "other"


class Pass(StrEnum):
    """What a router passes between its interfaces."""

    UNICAST = "unicast"
    MULTICAST = "multicast"


class LinkKind(StrEnum):
    ETHERNET = "ethernet"
    USB = "usb"
    WIFI = "wifi"


class Standard(StrEnum):
    """IEEE 802.11 amendments, by their letters."""

    B = "b"
    G = "g"
    A = "a"
    N = "n"
    AC = "ac"
    AX = "ax"


class Middleware(StrEnum):
    CYCLONE = "cyclone"
    FAST = "fast"
    OTHER = "other"


class DiscoveryMode(StrEnum):
    MULTICAST = "multicast"
    PEERS = "peers"
    SERVER = "server"


@dataclass(frozen=True, slots=True)
class Interface:
    """A network interface; `addresses` carry their prefix lengths."""

    name: str
    addresses: tuple[Address, ...] = ()
    mtu_bytes: int | None = None

    @property
    def hosts(self) -> tuple[str, ...]:
        """The addresses alone, as packets show them."""
        return tuple(str(a.ip) for a in self.addresses)


@dataclass(frozen=True, slots=True)
class Budget:
    """What a machine's discovery can take."""

    participants: int | None = None
    endpoints: int | None = None
    messages_hz: float | None = None


@dataclass(frozen=True, slots=True)
class Machine:
    name: str
    role: Role | None = None
    interfaces: tuple[Interface, ...] = ()
    budget: Budget | None = None
    forwards: frozenset[Pass] = frozenset()  # between its interfaces

    @property
    def hosts(self) -> frozenset[str]:
        """Every address of the machine, without prefix length."""
        return frozenset(host for interface in self.interfaces for host in interface.hosts)


@dataclass(frozen=True, slots=True, order=True)
class Joint:
    """One end of a link: an interface of a machine."""

    machine: str
    interface: str

    def __str__(self) -> str:
        return f"{self.machine}.{self.interface}"


@dataclass(frozen=True, slots=True)
class Link:
    """A medium that joins two or more interfaces.  `loss` is a fraction of the packets."""

    name: str
    kind: LinkKind
    joins: tuple[Joint, ...]
    rate_bps: float | None = None  # unicast PHY rate
    delay_ns: int | None = None
    standard: Standard | None = None
    multicast_rate_bps: float | None = None
    access_point: bool | None = None  # station -> access point -> station: the air is used twice
    loss: float | None = None


@dataclass(frozen=True, slots=True)
class Discovery:
    """How a participant looks for others.  `server` is (address, port)."""

    mode: DiscoveryMode
    peers: tuple[str, ...] = ()
    server: tuple[str, int] | None = None


@dataclass(frozen=True, slots=True)
class Participant:
    name: str
    machine: str
    middleware: Middleware | None = None
    interfaces: tuple[str, ...] | None = None  # of its machine; None: all of them, or unknown
    discovery: Discovery | None = None


@dataclass(frozen=True, slots=True)
class StatedQos:
    """QoS of one side.  Only the policies named in `policies` were declared; the rest of `qos` is the
    standard's default for that side, which the middleware may have changed.
    """

    qos: Qos
    policies: frozenset[str] = frozenset()  # the site file's policy words


OFFERED = StatedQos(Qos(reliability=Reliability.RELIABLE))  # DDS 1.4, 2.2.3: a writer's default
REQUESTED = StatedQos(Qos())


@dataclass(frozen=True, slots=True)
class Topic:
    """A topic with everybody who writes and reads it.  `loss` is a fraction of the samples."""

    name: str
    type_name: str | None = None
    size_bytes: int | None = None
    rate_hz: float | None = None
    writers: tuple[str, ...] = ()
    readers: tuple[str, ...] = ()
    offered: StatedQos = OFFERED
    requested: StatedQos = REQUESTED
    within_ns: int | None = None
    loss: float | None = None
    exclusive: bool = False  # at most one writer may be heard


@dataclass(frozen=True, slots=True)
class Service:
    """A question and its answer.  `rate_hz` and `within_ns` hold for each way."""

    name: str
    type_name: str | None = None
    clients: tuple[str, ...] = ()
    servers: tuple[str, ...] = ()
    offered: StatedQos = OFFERED
    requested: StatedQos = REQUESTED
    rate_hz: float | None = None
    within_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Action:
    """A long task: goal, cancel and result are services, feedback and status are topics."""

    name: str
    type_name: str | None = None
    clients: tuple[str, ...] = ()
    servers: tuple[str, ...] = ()
    offered: StatedQos = OFFERED
    requested: StatedQos = REQUESTED


@dataclass(frozen=True, slots=True)
class Work:
    """Compute time of a participant between reading one topic of a loop and writing the next."""

    participant: str
    time_ns: int


@dataclass(frozen=True, slots=True)
class Sense:
    """What a loop senses, and how far."""

    topic: str
    range_m: float | None = None


@dataclass(frozen=True, slots=True)
class Loop:
    name: str
    through: tuple[str, ...]
    work: tuple[Work, ...] = ()
    sense: Sense | None = None
    vehicle: str | None = None


@dataclass(frozen=True, slots=True)
class Vehicle:
    name: str
    top_speed_m_per_s: float | None = None
    braking_m_per_s2: float | None = None
    margin_m: float | None = None
    watchdog_ns: int | None = None
    track_m: float | None = None
    wheel_diameter_m: float | None = None


@dataclass(frozen=True, slots=True)
class PowerLoad:
    name: str
    power_w: float


@dataclass(frozen=True, slots=True)
class Power:
    """A battery and what draws on it.  `reserve` is the fraction that must be left.

    `rated_ns` is the discharge time at which the capacity is stated, `peukert` the exponent by which
    less comes out of it in less time; `farthest_m` is the way home from the farthest point.
    """

    name: str
    capacity_wh: float | None = None
    loads: tuple[PowerLoad, ...] = ()
    reserve: float | None = None
    dock_power_w: float | None = None
    peukert: float | None = None
    rated_ns: int | None = None
    farthest_m: float | None = None
    speed_m_per_s: float | None = None  # on the way home


@dataclass(frozen=True, slots=True)
class Fleet:
    """Robots of one kind: the machines of each copy."""

    name: str
    copies: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class DeclaredFlow:
    """One writer -> one reader on one topic, with all that the site says of it."""

    topic: str  # the site's name
    wire_topic: str
    type_name: str | None  # as the wire should show it
    writer: str
    reader: str
    offered: StatedQos
    requested: StatedQos
    rate_hz: float | None = None
    size_bytes: int | None = None
    within_ns: int | None = None
    loss: float | None = None
    exclusive: bool = False

    @property
    def flow(self) -> Flow:
        return Flow(self.topic, self.writer, self.reader)


@dataclass(frozen=True, slots=True)
class Site:
    name: str
    domain: int = 0
    naming: Naming = Naming.PLAIN
    machines: tuple[Machine, ...] = ()
    links: tuple[Link, ...] = ()
    participants: tuple[Participant, ...] = ()
    topics: tuple[Topic, ...] = ()
    services: tuple[Service, ...] = ()
    actions: tuple[Action, ...] = ()
    loops: tuple[Loop, ...] = ()
    vehicles: tuple[Vehicle, ...] = ()
    power: tuple[Power, ...] = ()
    fleets: tuple[Fleet, ...] = field(default=())

    def flows(self) -> tuple[DeclaredFlow, ...]:
        """Every flow, in the order of the file: topics, then services, then actions."""
        from toprung.model.site_flows import flows_of

        return tuple(flows_of(self))

    def machine(self, name: str) -> Machine:
        """The machine of that name; KeyError where there is none."""
        return _named(self.machines, name)

    def participant(self, name: str) -> Participant:
        """The participant of that name; KeyError where there is none."""
        return _named(self.participants, name)

    def machine_at(self, host: str) -> Machine | None:
        """The machine that declares this address (without prefix length)."""
        return next((m for m in self.machines if host in m.hosts), None)

    def links_of(self, machine: str) -> Iterator[Link]:
        """The links that join an interface of the machine."""
        return (link for link in self.links if any(j.machine == machine for j in link.joins))


Named = TypeVar("Named", Machine, Participant)


def _named(entries: tuple[Named, ...], name: str) -> Named:
    for entry in entries:
        if entry.name == name:
            return entry
    raise KeyError(name)
