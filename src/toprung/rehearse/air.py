"""Wi-Fi: one medium for everybody and both directions, and an access point that sends everything again.

Stations and the access point take turns; at its turn a sender transmits what waits for one receiver, as
one aggregate where the standard has them.  Durations, silences and mean backoffs are the forecast's
(`toprung.forecast.airtime`, IEEE 802.11-2020), so that both speak of the same air.  Collisions are not
played.  Multicast goes up to an access point as unicast, and from there at the low rate.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

from toprung.forecast.airtime import access_us, burst_us, cell_of, multicast_us, waits_us
from toprung.model.site import Link, LinkKind, Standard
from toprung.rehearse.frames import HEADER
from toprung.rehearse.medium import Medium, Station
from toprung.rehearse.specs import LinkSpec

ACCESS_POINT, ALL = -1, -2  # as senders and receivers beside the stations' ports
_MOST_BYTES = 65_535  # of what one turn sends: the smallest of the standard's aggregates


class _Packet(NamedTuple):
    sender: int
    receivers: tuple[int, ...]
    frame: bytes

    @property
    def ip_bytes(self) -> int:
        return len(self.frame) - HEADER


Way = tuple[int, int]  # sender, next receiver


class Air(Medium):
    """A Wi-Fi cell; without a declared rate it takes no time."""

    def __init__(self, spec: LinkSpec, stations: Sequence[Station], seed: int = 0) -> None:
        super().__init__(spec, stations, seed)
        self._cell = cell_of(_declared(spec))
        self._most = self._cell.aggregation.frames if self._cell and self._cell.aggregation else 1
        self._waiting: dict[Way, deque[_Packet]] = {}
        self._waiting_s: dict[Way, float] = {}
        self._turns: deque[Way] = deque()
        self._taken = False

    def duration_s(self, way: Way, sizes: tuple[int, ...]) -> float:
        """How long one turn takes the air: packets of these sizes (bytes of IP), silences and backoff."""
        assert self._cell is not None
        if way[1] == ALL:
            us = sum(multicast_us(self._cell, size) + access_us(self._cell) for size in sizes)
        else:
            us = burst_us(self._cell, sizes) + waits_us(self._cell, sizes)
        return us / 1e6

    def _carry(self, now: float, sender: int, receivers: tuple[int, ...], frame: bytes) -> None:
        if self._cell is None:
            self._pass(now, sender, receivers, frame)
            return
        first = ACCESS_POINT if self._cell.access_point else _towards(receivers, frame)
        self._queue(now, (sender, first), _Packet(sender, receivers, frame))

    def _queue(self, now: float, way: Way, packet: _Packet) -> None:
        duration = self.duration_s(way, (packet.ip_bytes,))
        waiting_s = self._waiting_s.get(way, 0.0)
        if waiting_s > self.spec.queue_s:
            self.tally.full += len(packet.receivers)
            return
        self._waiting_s[way] = waiting_s + duration
        waiting = self._waiting.setdefault(way, deque())
        if not waiting:
            self._turns.append(way)
        waiting.append(packet)
        self._next(now)

    def _next(self, now: float) -> None:
        """The air is given to whoever's turn it is."""
        if self._taken or not self._turns:
            return
        way = self._turns.popleft()
        waiting, octets = self._waiting[way], 0
        burst: list[_Packet] = []
        most = 1 if way[1] == ALL else self._most
        while waiting and len(burst) < most and (not burst or octets + waiting[0].ip_bytes < _MOST_BYTES):
            burst.append(waiting.popleft())
            octets += burst[-1].ip_bytes
            self._waiting_s[way] -= self.duration_s(way, (burst[-1].ip_bytes,))
        if waiting:
            self._turns.append(way)
        else:
            self._waiting_s[way] = 0.0
        self._taken = True
        duration = self.duration_s(way, tuple(p.ip_bytes for p in burst))
        self.tally.busy_s += duration
        self._at(now + duration, self._sent, way, burst)

    def _sent(self, now: float, way: Way, burst: list[_Packet]) -> None:
        for packet in burst:  # the second hop may send them together again
            if way[1] == ACCESS_POINT:
                self._queue(now, (ACCESS_POINT, _towards(packet.receivers, packet.frame)), packet)
            else:
                self._pass(now, *packet)
        self._taken = False
        self._next(now)


def _towards(receivers: tuple[int, ...], frame: bytes) -> int:
    return ALL if frame[0] & 1 else receivers[0]


def _declared(spec: LinkSpec) -> Link:
    return Link(
        spec.name,
        LinkKind.WIFI,
        (),
        rate_bps=spec.rate_bps,
        standard=Standard(spec.standard) if spec.standard else None,
        multicast_rate_bps=spec.multicast_rate_bps,
        access_point=spec.access_point,
    )
