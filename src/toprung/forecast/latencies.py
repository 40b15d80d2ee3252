"""The latency of every flow of a site, from its traffic; and the legs that loops are made of.

What a link has to carry decides how long a sample stands in its queue: `toprung.forecast.traffic` says
what is sent there, `toprung.forecast.media` how long each takes.  A cable with a direction each way has a
queue for each, and behind a switch one on the way to each receiver, too; a shared cable has one; in the
air each station has its own, and they take turns.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from math import inf

from toprung.forecast import streams
from toprung.forecast.airtime import access_us, cell_of, waits_us
from toprung.forecast.chain import Span, pace
from toprung.forecast.fragments import rounds_for
from toprung.forecast.latency import AT_HOME, RARE, Crossing, Handling, Latency, Repair, latency
from toprung.forecast.loops import Leg
from toprung.forecast.matching import matcher
from toprung.forecast.media import Sent, taken_s
from toprung.forecast.profile import profile_of
from toprung.forecast.queues import blind_wait
from toprung.forecast.reach import Reach
from toprung.forecast.reliable import KEPT_SAMPLES
from toprung.forecast.streams import Kind, Parcel, Sender, Stream
from toprung.forecast.traffic import FlowTraffic, LinkTraffic, Traffic, traffic_of
from toprung.model.figures import MachineFigures
from toprung.model.ladder import Flow
from toprung.model.qos import History
from toprung.model.site import DeclaredFlow, Joint, Link, LinkKind, Site
from toprung.model.verdict import HELD

ASSUMED_BYTES = 100  # of a sample, where the site does not say
End = tuple[Joint, bool] | None  # an end and whether it sends; None: everybody's one queue


def latency_of(
    site: Site, reach: Reach, traffic: Traffic, machines: Mapping[str, MachineFigures] | None = None
) -> dict[Flow, Latency]:
    """Every flow of which the traffic is known.  `machines`: discovery's figures, for slow readers."""
    return _Latencies(site, reach, traffic, machines or {}).found()


def legs_of(site: Site, latencies: Mapping[Flow, Latency]) -> list[Leg]:
    """The legs of the site's loops: each flow with its latency, and its pace where it has a rate."""
    return [
        Leg(
            declared.flow,
            Span(known.typical_s, known.worst_s),
            pace(1 / declared.rate_hz, known.lost) if declared.rate_hz else None,
        )
        for declared in site.flows()
        if (known := latencies.get(declared.flow)) is not None
    ]


@dataclass(slots=True)
class _Queue:
    """What passes one queue: shares of its time, and one sample of every stream."""

    busy: float = 0.0
    moment_s: float = 0.0  # by whole samples
    turns_s: float = 0.0  # by what goes at one turn
    greatest_s: float = 0.0  # sample
    greatest_turn_s: float = 0.0
    parcels: dict[tuple[str, str, Kind, int], float] = field(default_factory=dict)

    def add(self, one: Sent, time_s: float, turns: float) -> None:
        self.busy += one.parcel.rate_hz * time_s
        self.moment_s += one.parcel.rate_hz * time_s * time_s
        self.turns_s += one.parcel.rate_hz * time_s * time_s / turns
        self.greatest_s = max(self.greatest_s, time_s)
        self.greatest_turn_s = max(self.greatest_turn_s, time_s / turns)
        if one.parcel.kind is not Kind.REPEAT:  # repeats are no habit: each flow counts its own
            key = one.topic, one.writer, one.parcel.kind, id(one.parcel.copy)
            self.parcels[key] = max(time_s, self.parcels.get(key, 0.0))

    @property
    def burst_s(self) -> float:
        return sum(self.parcels.values())


@dataclass(frozen=True, slots=True)
class _Medium:
    """A link with its queues; without a declared rate it has none, and crossing it takes no time.

    In the air every station has its own queue, and they take turns packet by packet.
    """

    link: Link
    taken: Callable[[Sent], float] | None
    queues: Mapping[End, _Queue]
    collision: float
    hold_worst_s: float

    def crossings(self, sample: Sent) -> Iterator[Crossing]:
        """What a sample meets: one crossing for each queue, the way itself in the first."""
        fixed_s = (self.link.delay_ns or 0) / 1e9
        if self.taken is None:
            yield Crossing(self.link.name, 0.0, fixed_s=fixed_s)
        elif self.link.kind is LinkKind.WIFI:
            yield self._in_the_air(sample, self.taken(sample), fixed_s)
        else:
            yield from self._on_cable(sample, self.taken(sample), fixed_s)

    def _on_cable(self, sample: Sent, own_s: float, fixed_s: float) -> Iterator[Crossing]:
        for at, end in enumerate(self._ends(sample.crossing)):
            queue = self.queues.get(end) or _Queue()
            yield Crossing(
                self.link.name,
                0.0 if at else own_s,
                queue.busy,
                queue.moment_s,
                queue.greatest_s,
                max(0.0, queue.burst_s - own_s),
                fixed_s=0.0 if at else fixed_s,
            )

    def _ends(self, crossing: streams.Crossing) -> Iterator[End]:
        """The queues that a sample passes one after the other."""
        if self.link.kind is not LinkKind.ETHERNET:
            yield None
            return
        yield crossing.sender, True
        if len(self.link.joins) > 2:
            yield crossing.receivers[0], False

    def _in_the_air(self, sample: Sent, own_s: float, fixed_s: float) -> Crossing:
        everybody = self.queues.get(None) or _Queue()
        station = self.queues.get((sample.crossing.sender, True)) or _Queue()
        turn_s = own_s / _turns(self.link, sample)
        others = max(0.0, everybody.busy - station.busy)
        rest = max(0.0, everybody.busy - sample.parcel.rate_hz * own_s)
        return Crossing(
            self.link.name,
            own_s,
            everybody.busy,
            station.moment_s + max(0.0, everybody.turns_s - station.turns_s),
            max(station.greatest_s, everybody.greatest_turn_s),
            blind_wait(own_s, max(0.0, everybody.burst_s - own_s), rest),
            inf if others >= 1 else (own_s - turn_s) * others / (1 - others),
            self._retry_s(turn_s),
            fixed_s,
            0.0,
            self.hold_worst_s if sample.crossing.many else 0.0,
        )

    def _retry_s(self, turn_s: float) -> float:
        """Tries again after collisions, each with its longer backoff (IEEE 802.11-2020, 10.3.3)."""
        cell = cell_of(self.link)
        if cell is None or self.collision <= 0:
            return 0.0
        tries = rounds_for(1 - RARE, self.collision, 1)
        if tries is None:
            return inf
        timing = cell.timing
        windows = (min((timing.cw_min + 1) << n, timing.cw_max + 1) - 1 for n in range(1, tries))
        slots = sum(windows) / 2
        return (tries - 1) * turn_s + slots * timing.slot_us * 1e-6


def _medium(found: LinkTraffic) -> _Medium:
    taken = taken_s(found.link)
    queues: dict[End, _Queue] = defaultdict(_Queue)
    if taken is not None:
        for one in found.sent:
            time_s = taken(one)
            for end in _ends_of(found.link, one.crossing):
                queues[end].add(one, time_s, _turns(found.link, one))
        if found.link.kind is LinkKind.WIFI and found.busy is not None:
            queues[None].busy = found.busy  # with beacons and collisions
    return _Medium(found.link, taken, queues, found.collision or 0.0, found.hold_s[1])


def _turns(link: Link, one: Sent) -> float:
    """In how many transmissions a parcel goes: aggregated where the standard has it."""
    cell = cell_of(link)
    if cell is None or one.crossing.many:
        return float(max(1, len(one.packets)))
    return max(1.0, waits_us(cell, one.packets) / access_us(cell))


def _ends_of(link: Link, crossing: streams.Crossing) -> Iterator[End]:
    """Every queue that a parcel passes."""
    if link.kind is not LinkKind.ETHERNET:
        yield None
    if link.kind is not LinkKind.USB:
        yield crossing.sender, True
    if link.kind is LinkKind.ETHERNET:
        for receiver in crossing.receivers:
            yield receiver, False


class _Latencies:
    """All flows of one site."""

    def __init__(
        self, site: Site, reach: Reach, traffic: Traffic, machines: Mapping[str, MachineFigures]
    ) -> None:
        self._site = site
        self._flows = {**_assumed(site, reach, traffic), **traffic.flows}
        self._sender = Sender(reach)
        self._participants = {p.name: p for p in site.participants}
        self._media = {name: _medium(found) for name, found in traffic.links.items()}
        self._slow = {
            m.name: _handling(m.name, m.budget.messages_hz, machines.get(m.name))
            for m in site.machines
            if m.budget and m.budget.messages_hz
        }

    def found(self) -> dict[Flow, Latency]:
        known = ((declared.flow, self._latency(declared)) for declared in self._site.flows())
        return {flow: found for flow, found in known if found is not None}

    def _latency(self, declared: DeclaredFlow) -> Latency | None:
        ends = self._participants[declared.writer], self._participants[declared.reader]
        if ends[0].machine == ends[1].machine:
            return AT_HOME
        found = self._flows.get(declared.flow)
        if found is None or found.copy is None or found.messages is None:
            return None
        parcel = Parcel(Kind.SAMPLE, found.copy, found.messages, declared.rate_hz or 0.0)
        crossings = [
            crossed
            for way in found.copy.crossings
            for crossed in self._media[way.link.name].crossings(
                Sent(declared.topic, declared.writer, parcel, way)
            )
        ]
        repair = None if found.rounds is None else self._repair(declared, found, crossings)
        return latency(crossings, loss=found.loss, repair=repair, handling=self._slow.get(ends[1].machine))

    def _repair(self, declared: DeclaredFlow, found: FlowTraffic, crossings: list[Crossing]) -> Repair:
        """Noticed by a heartbeat that comes, asked for, and sent again."""
        rate = declared.rate_hz or 0.0
        noticed, at_worst = self._noticed(declared)
        reader = profile_of(self._participants[declared.reader].middleware).data
        way_s = sum(c.serial_s + 2 * c.fixed_s for c in crossings) + reader.answer_delay_s
        queued_s = 2 * sum(c.queued_s + c.retry_s for c in crossings)
        offered = declared.offered
        kept: float = offered.qos.history_depth if "history" in offered.policies else KEPT_SAMPLES
        if offered.qos.history is History.KEEP_ALL and "history" in offered.policies:
            kept = inf
        return Repair(
            found.loss,
            noticed + way_s,
            at_worst + way_s + queued_s,
            kept / rate if rate else inf,
        )

    def _noticed(self, declared: DeclaredFlow) -> tuple[float, float]:
        """From a lost sample to the heartbeat that tells of it, usually and at worst."""
        profile = profile_of(self._participants[declared.writer].middleware)
        alone_s = profile.data.heartbeat_period_s or profile.rules.confirm_after_s
        if not declared.rate_hz or not declared.size_bytes:
            return alone_s / 2, alone_s
        stream = Stream(declared.topic, declared.writer, declared.size_bytes, declared.rate_hz, (declared,))
        carried_hz = self._sender.upkeep(stream).carried_hz
        carried_s = 1 / carried_hz if carried_hz > 0 else inf
        if carried_hz >= declared.rate_hz and carried_s <= alone_s:
            return carried_s, carried_s
        return min(carried_s, alone_s) / 2, min(carried_s, alone_s)


def _assumed(site: Site, reach: Reach, traffic: Traffic) -> Mapping[Flow, FlowTraffic]:
    """Flows whose size or rate the site does not say, as if each sent a small sample now and then."""
    judge = matcher(site).judge
    small = [
        replace(f, size_bytes=f.size_bytes or ASSUMED_BYTES, rate_hz=f.rate_hz or 1.0)
        for f in site.flows()
        if f.flow not in traffic.flows and not (f.size_bytes and f.rate_hz) and judge(f) is HELD
    ]
    return traffic_of(site, reach, small).flows if small else {}


def _handling(machine: str, messages_hz: float, figures: MachineFigures | None) -> Handling:
    """Discovery's steady rate, and an announcement of everybody at once, against what the machine takes."""
    steady = figures.discovery.steady_datagrams_in_per_s if figures and figures.discovery else None
    others = max(0, (figures.known_participants or 1) - 1) if figures else 0
    return Handling(machine, 1 / messages_hz, (steady or 0.0) / messages_hz, others / messages_hz)
