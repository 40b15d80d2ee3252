"""How busy a link is with what is sent over it: air, cables with a direction each way, shared cables.

Air: `toprung.forecast.airtime` says what each transmission takes, `toprung.forecast.bianchi` how often
stations collide.  Ethernet: each end has its own two directions, as at a switch.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from toprung.forecast.airtime import (
    Cell,
    access_us,
    beacon_share,
    burst_us,
    cell_of,
    multicast_hold_us,
    multicast_us,
    waits_us,
)
from toprung.forecast.bianchi import Station, contention, window_of
from toprung.forecast.streams import Crossing, Parcel
from toprung.forecast.wired import Wire, wire_of
from toprung.model.site import Joint, Link, LinkKind

MICRO = 1e-6


@dataclass(frozen=True, slots=True)
class Sent:
    """A parcel of a stream on one link."""

    topic: str
    writer: str
    parcel: Parcel
    crossing: Crossing

    @property
    def packets(self) -> tuple[int, ...]:
        return self.parcel.messages.packets


@dataclass(frozen=True, slots=True)
class Use:
    """A stream's part of a link's time, None where that is unknown, and of its bytes."""

    topic: str
    writer: str
    share: float | None
    bytes_per_s: float


@dataclass(frozen=True, slots=True)
class Busyness:
    """As `toprung.forecast.traffic.LinkTraffic` has it."""

    air_time: float | None
    busy: float | None
    collision: float | None
    hold_s: tuple[float, float]
    uses: tuple[Use, ...]
    assumptions: tuple[str, ...]


def busyness(link: Link, sent: Sequence[Sent]) -> Busyness:
    """How busy a link is."""
    if link.kind is LinkKind.WIFI:
        cell = cell_of(link)
        if cell is None:
            return Busyness(None, None, None, (0.0, 0.0), _uses(sent, None), ())
        return _air(cell, sent)
    return _cable(link, wire_of(link), sent)


def taken_s(link: Link) -> Callable[[Sent], float] | None:
    """What one parcel takes of a link's time, silences and mean backoffs included, on air also that of the
    access point; None where the site does not declare the rate.
    """
    if link.kind is LinkKind.WIFI:
        cell = cell_of(link)
        if cell is None:
            return None
        air = _Air(cell)
        return lambda one: MICRO * air.with_waits_us(one)
    if not link.rate_bps:
        return None
    byte_s, wire = 8 / link.rate_bps, wire_of(link)
    return lambda one: byte_s * sum(map(wire.occupied_bytes, one.packets))


def _cable(link: Link, wire: Wire, sent: Sequence[Sent]) -> Busyness:
    taken = taken_s(link)
    if taken is None:
        return Busyness(None, None, None, (0.0, 0.0), _uses(sent, None), ())

    def share(one: Sent) -> float:
        return one.parcel.rate_hz * taken(one)

    ways: dict[tuple[Joint | None, bool], float] = defaultdict(float)
    for one in sent:
        if not wire.full_duplex:
            ways[None, True] += share(one)
            continue
        ways[one.crossing.sender, True] += share(one)
        for receiver in one.crossing.receivers:
            ways[receiver, False] += share(one)
    busy = max(ways.values(), default=0.0)
    return Busyness(None, busy, None, (0.0, 0.0), _uses(sent, share), (wire.assumption,))


# -- air --------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Station:
    """One sender in a cell, per second: transmissions, and the microseconds that they take."""

    transmissions: float = 0.0
    sending_us: float = 0.0

    def add(self, rate_hz: float, transmissions: float, sending_us: float) -> None:
        self.transmissions += rate_hz * transmissions
        self.sending_us += rate_hz * sending_us


class _Taken(NamedTuple):
    """Air of some packets: transmissions and microseconds of their sender, and of the access point."""

    up: float
    up_us: float
    down: float
    down_us: float


class _Air:
    """A cell, and what it takes for packets that were asked about before: many parcels are alike."""

    def __init__(self, cell: Cell) -> None:
        self.cell = cell
        self.access_us = access_us(cell)
        self._known: dict[tuple[tuple[int, ...], bool], _Taken] = {}

    def taken(self, one: Sent) -> _Taken:
        key = one.packets, one.crossing.many
        if key not in self._known:
            self._known[key] = _taken(self.cell, *key)
        return self._known[key]

    def with_waits_us(self, one: Sent) -> float:
        """Air of one parcel, once, with its silences and mean backoffs."""
        air = self.taken(one)
        return air.up_us + air.down_us + self.access_us * (air.up + air.down)


def _air(cell: Cell, sent: Sequence[Sent]) -> Busyness:
    air = _Air(cell)
    stations: dict[Joint | None, _Station] = defaultdict(_Station)  # None: the access point
    for one in sent:
        taken = air.taken(one)
        stations[one.crossing.sender].add(one.parcel.rate_hz, taken.up, taken.up_us)
        stations[None].add(one.parcel.rate_hz, taken.down, taken.down_us)
    sending = MICRO * sum(s.sending_us for s in stations.values())
    waiting = MICRO * air.access_us * sum(s.transmissions for s in stations.values())
    beacons = beacon_share(cell)
    spoilt, collision = _collisions(cell, stations.values())
    mean, worst = multicast_hold_us(cell)
    return Busyness(
        sending + beacons,
        sending + waiting + beacons + spoilt,
        collision,
        (mean * MICRO, worst * MICRO),
        _uses(sent, lambda one: one.parcel.rate_hz * MICRO * air.with_waits_us(one)),
        cell.assumptions,
    )


def _taken(cell: Cell, packets: tuple[int, ...], many: bool) -> _Taken:
    """Multicast goes down at its own rate, packet by packet; without an access point, from the sender."""
    down = sum(multicast_us(cell, packet) for packet in packets) if many else 0.0
    if many and not cell.access_point:
        return _Taken(len(packets), down, 0.0, 0.0)
    up, bursts = burst_us(cell, packets), waits_us(cell, packets) / access_us(cell)
    if not cell.access_point:
        return _Taken(bursts, up, 0.0, 0.0)
    return _Taken(bursts, up, len(packets), down) if many else _Taken(bursts, up, bursts, up)


def _collisions(cell: Cell, stations: Iterable[_Station]) -> tuple[float, float]:
    """Share of the time spoilt by collisions, and the greatest chance of one."""
    active = [s for s in stations if s.transmissions > 0]
    gap = cell.timing.gap_us
    senders = [
        Station(s.transmissions * MICRO, mean + gap, mean + gap)
        for s in active
        for mean in (s.sending_us / s.transmissions,)
    ]
    window = window_of(cell.timing.cw_min, cell.timing.cw_max)
    found = contention(senders, window, cell.timing.slot_us)
    return found.spoilt, max(found.collisions, default=0.0)


def _uses(sent: Sequence[Sent], share: Callable[[Sent], float] | None) -> tuple[Use, ...]:
    shares: dict[tuple[str, str], float] = defaultdict(float)
    sizes: dict[tuple[str, str], float] = defaultdict(float)
    for one in sent:
        key = one.topic, one.writer
        shares[key] += share(one) if share else 0.0
        sizes[key] += one.parcel.rate_hz * one.parcel.messages.link_bytes
    uses = [Use(*key, shares[key] if share else None, sizes[key]) for key in sizes]
    return tuple(sorted(uses, key=lambda use: (-(use.share or 0.0), -use.bytes_per_s)))
