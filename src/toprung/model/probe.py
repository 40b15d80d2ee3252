"""What active checks between two machines gave: evidence beside captures.

Times are seconds unless the name says ns; sizes are UDP payloads in bytes, the interface's MTU is an IP
packet's.  None: not tried, or nobody could tell.
"""

from __future__ import annotations

from dataclasses import dataclass

from toprung.model.picture import Spread
from toprung.model.site import Site


@dataclass(frozen=True, slots=True)
class Party:
    """A machine that took part, by its own account."""

    name: str
    addresses: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PortCheck:
    """Datagrams to one port.  `real`: the domain's own port, not a substitute because that was taken."""

    use: str  # "discovery unicast", …: the words of `toprung.wire.ports.PortKind`
    port: int
    real: bool
    multicast: bool
    sent: int
    arrived: int | None  # None: nobody could tell

    @property
    def passes(self) -> bool | None:
        """Whether anything arrived; None where nothing was sent or nobody could tell."""
        return None if self.arrived is None or not self.sent else self.arrived > 0


@dataclass(frozen=True, slots=True)
class SizeCheck:
    """The greatest that passes, and the smallest greater one that does not (None: all up to the greatest)."""

    passed_bytes: int | None
    lost_bytes: int | None
    limit_bytes: int  # the greatest that was tried


@dataclass(frozen=True, slots=True)
class Train:
    """Small datagrams in a row.  `overflowed`: lost in the receiver's own socket, no fault of the path."""

    sent: int
    arrived: int
    overflowed: int
    delay: Spread | None  # the clocks' difference taken out

    @property
    def loss(self) -> float | None:
        """The share that the path lost."""
        return max(0, self.sent - self.arrived - self.overflowed) / self.sent if self.sent else None


@dataclass(frozen=True, slots=True)
class FlowCheck:
    """Datagrams as one declared flow would send them."""

    topic: str
    writer: str
    reader: str
    size_bytes: int
    rate_hz: float
    fragments: int  # UDP datagrams of a sample
    samples: int
    whole: int  # samples of which every datagram arrived
    train: Train  # of its datagrams


@dataclass(frozen=True, slots=True)
class Way:
    """Everything that was tried in one direction, by the addresses used."""

    sender: str
    receiver: str
    interface_mtu_bytes: int | None = None  # of the sender
    ports: tuple[PortCheck, ...] = ()
    unfragmented: SizeCheck | None = None
    fragmented: SizeCheck | None = None
    learned_mtu_bytes: int | None = None  # by the sender's kernel, from routers on the way (RFC 1191)
    train: Train | None = None
    flows: tuple[FlowCheck, ...] = ()


@dataclass(frozen=True, slots=True)
class ClockCheck:
    """The far clock less the near one; `error_s` is half of the least round trip (RFC 5905, section 8)."""

    offset_s: float
    error_s: float
    drift_ppm: float | None


@dataclass(frozen=True, slots=True)
class ProbeResults:
    """One run of a prober: `there` is the way to the far machine, `back` the way from it."""

    label: str  # as evidence names it
    started_ns: int  # by the near clock
    seconds: float
    domain: int
    key: str  # the key's fingerprint: results of one key belong together
    answered: bool  # a session came about
    near: Party
    far: Party
    there: Way
    back: Way
    round_trip: Spread | None = None
    clock: ClockCheck | None = None
    remarks: tuple[str, ...] = ()

    @property
    def parties(self) -> tuple[Party, ...]:
        return self.near, self.far

    @property
    def ways(self) -> tuple[Way, Way]:
        return self.there, self.back


@dataclass(frozen=True, slots=True)
class Caller:
    """A prober that a server heard."""

    host: str
    unicast: int  # hellos
    multicast: int
    confirmed: bool  # it went on after the answer: answers reach it


@dataclass(frozen=True, slots=True)
class Served:
    """One run of a server: who was heard, and so who was not."""

    label: str
    started_ns: int
    seconds: float
    domain: int
    key: str
    near: Party
    callers: tuple[Caller, ...]

    @property
    def parties(self) -> tuple[Party, ...]:
        return (self.near,)


def named(site: Site | None, party: Party) -> str:
    """What a machine is called: by the site that knows one of its addresses, by itself, by its address."""
    if site is not None:
        for address in party.addresses:
            if (machine := site.machine_at(address)) is not None:
                return machine.name
    return party.name or party.addresses[0]
