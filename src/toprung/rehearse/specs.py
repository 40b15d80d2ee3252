"""What really runs in a rehearsal: machines, links, participants, and what happens to them when.

Plain data that a fault may change before the run; the declared site never changes.  Times are seconds,
rates bits per second where the name ends in `_bps`.  `PeerSpec.as_json` is what the peer programs read.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from typing import Any, Literal

Cast = Literal["", "unicast", "multicast"]
Fragments = Literal["", "any", "rest"]
Does = Literal["drop", "delay", "burst"]


@dataclass(slots=True)
class EndpointSpec:
    """A writer or reader.  `layout`: one letter a member (L uint32, f float, d double, s string), the first
    one counts samples.  `qos`: the peers' words; durations in seconds.
    """

    topic: str  # as the wire shows it
    type: str
    layout: str
    size: int  # bytes of a sample
    rate: float | None = None  # Hz, of a writer
    count: int | None = None  # at most so many samples
    qos: dict[str, Any] = field(default_factory=dict)
    silent: bool = False  # matched, and never writes
    members: list[str] | None = None  # the members' names; None: the peer's own
    begin: float | None = None  # s after its start, of the first sample; None: the peer's own

    def as_json(self) -> dict[str, Any]:
        """The entry as the peers read it: without what is not said."""
        return _said(asdict(self), keep=("qos",))


@dataclass(slots=True)
class PeerSpec:
    """One participant, and how its library is set."""

    name: str
    machine: str
    middleware: Literal["cyclone", "fast"]
    domain: int = 0
    mode: Literal["multicast", "peers", "server"] = "multicast"
    peers: list[str] = field(default_factory=list)  # addresses
    server: str = ""  # address:port
    interfaces: list[str] | None = None  # of its machine; None: all
    writers: list[EndpointSpec] = field(default_factory=list)
    readers: list[EndpointSpec] = field(default_factory=list)
    lease: float | None = None  # s
    announce: float | None = None  # s between announcements, where the library can be told
    ttl: int | None = None
    tag: str = ""  # domain tag
    index: int | None = None  # participant index
    locators: list[str] = field(default_factory=list)  # addresses announced instead of the real ones
    prefix: str = ""  # GUID prefix, "01.0f. ..." of 12 octets
    own_memory: bool = False  # its /dev/shm is seen by no other process
    begins_s: float | None = 0.0  # after the start of the run; None: never, unless an event begins it

    def as_json(self, seconds: float) -> dict[str, Any]:
        """The whole spec as the peers read it; they end by themselves after so many seconds."""
        said = _said(asdict(replace(self, writers=[], readers=[])), keep=("domain",))
        said.pop("begins_s", None)
        said["seconds"] = seconds
        said["writers"] = [w.as_json() for w in self.writers]
        said["readers"] = [r.as_json() for r in self.readers]
        return said


def _said(pairs: dict[str, Any], keep: tuple[str, ...]) -> dict[str, Any]:
    return {k: v for k, v in pairs.items() if k in keep or v not in (None, "", [], {}, False)}


@dataclass(frozen=True, slots=True)
class Rule:
    """What a link does to some of its frames; what is left out matches every frame.

    A rule without `cast`, `fragments`, `above_bytes`, `ports` and `udp` matches ARP too.
    """

    does: Does = "drop"
    sender: str = ""  # machine whose frames
    receiver: str = ""  # machine that the frame would be handed to
    cast: Cast = ""  # by the destination address
    udp: bool = False  # UDP only
    fragments: Fragments = ""  # IP fragments; "rest": all but the first
    above_bytes: int | None = None  # IP packets longer than this
    ports: tuple[int, ...] = ()  # UDP destination ports
    share: float = 1.0  # of those frames, by chance
    delay_s: float = 0.0  # of "delay"
    burst_s: float = 0.0  # of "burst": held, and let go at whole multiples of this time


@dataclass(slots=True)
class LinkSpec:
    """A medium.  None: without limit, or the interfaces' own."""

    name: str
    joins: list[tuple[str, str]]  # (machine, interface)
    kind: str = "ethernet"
    rate_bps: float | None = None
    delay_s: float = 0.0
    loss: float = 0.0  # fraction of the frames
    mtu: int | None = None
    access_point: bool = False
    multicast_rate_bps: float | None = None
    standard: str | None = None
    rules: list[Rule] = field(default_factory=list)
    queue_s: float = 0.25  # what waits longer for the medium than this is dropped


@dataclass(slots=True)
class MachineSpec:
    """A computer: one network namespace, host name and /dev/shm."""

    name: str
    interfaces: dict[str, list[str]] = field(default_factory=dict)  # name -> address/len
    mtus: dict[str, int] = field(default_factory=dict)
    routes: list[tuple[str, str]] = field(default_factory=list)  # (subnet, address of the next hop)
    forwards: tuple[str, ...] = ()  # "unicast", "multicast"
    clock_s: float = 0.0  # ahead of the true time
    slowed: float | None = None  # messages a second that its processes can take
    filters: list[str] = field(default_factory=list)  # nft rules of its input hook
    captured: bool = True
    joined: bool = True  # whether its interfaces that no link names are brought up, too


@dataclass(frozen=True, slots=True)
class ServerSpec:
    """A central discovery server (Fast DDS's own program), at every address that somebody asks it by."""

    machine: str
    addresses: tuple[str, ...]
    port: int


@dataclass(frozen=True, slots=True)
class Begin:
    """A participant's process starts."""

    participant: str


@dataclass(frozen=True, slots=True)
class End:
    """A participant's process ends, with a goodbye or killed."""

    participant: str
    goodbye: bool


@dataclass(frozen=True, slots=True)
class Lapse:
    """From now on a participant's process is stopped and continued in turn."""

    participant: str
    stopped_s: float
    running_s: float


@dataclass(frozen=True, slots=True)
class SetRules:
    """A link's rules from now on, in place of those before."""

    link: str
    rules: tuple[Rule, ...]


@dataclass(frozen=True, slots=True)
class Carrier:
    """One end of a link is unplugged or plugged in again."""

    machine: str
    interface: str
    up: bool


@dataclass(frozen=True, slots=True)
class Claim:
    """From now on a machine announces that an address is its own (RFC 826), again and again."""

    machine: str
    interface: str
    address: str
    every_s: float = 0.7


Action = Begin | End | Lapse | SetRules | Carrier | Claim


@dataclass(frozen=True, slots=True)
class Event:
    at_s: float  # after the first participants began
    what: Action


@dataclass(slots=True)
class Plan:
    """One rehearsal."""

    machines: dict[str, MachineSpec]
    links: dict[str, LinkSpec]
    peers: dict[str, PeerSpec]
    servers: list[ServerSpec] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    seconds: float = 20.0
    capture_after_s: float | None = None  # after the first participants began; None: before them
