"""Who sends what to whom: a site's flows as parcels that cross links at a rate.

A writer's library decides how its samples reach several readers: one multicast where enough of them
announce a multicast address on one link, else a copy to each reading participant, at one address or at
every announced one (the profile's `multicast_from`, `announces_multicast`, `every_address`).  What stays
within a machine crosses nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from toprung.forecast.frames import Messages, Way, heartbeat_payload, is_cut, messages_of, sample_messages
from toprung.forecast.pace import carrying_s
from toprung.forecast.profile import DataPhase, profile_of
from toprung.forecast.reach import DEFAULT_MTU_BYTES, Reach, Route
from toprung.forecast.reliable import NOTHING, Upkeep, upkeep_of
from toprung.forecast.repairs import Again, Lossy, repairs_of
from toprung.model.qos import Reliability
from toprung.model.site import DeclaredFlow, DiscoveryMode, Joint, Link


class Kind(StrEnum):
    SAMPLE = "sample"
    HEARTBEAT = "heartbeat"
    ANSWER = "answer"
    REPEAT = "repeat"


@dataclass(frozen=True, slots=True)
class Crossing:
    """One link crossed: by one machine's end, to one other or, as multicast, to all."""

    link: Link
    sender: Joint
    receivers: tuple[Joint, ...]
    many: bool = False


@dataclass(frozen=True, slots=True)
class Copy:
    """One way of a stream's samples: over these links, to these participants."""

    crossings: tuple[Crossing, ...]
    readers: tuple[str, ...]
    mtu_bytes: int

    @property
    def loss(self) -> float:
        """The chance that one packet does not come through."""
        kept = 1.0
        for crossing in self.crossings:
            kept *= 1 - (crossing.link.loss or 0.0)
        return 1 - kept


@dataclass(frozen=True, slots=True)
class Parcel:
    """Messages that go one way, so many times a second."""

    kind: Kind
    copy: Copy
    messages: Messages
    rate_hz: float


@dataclass(frozen=True, slots=True)
class Stream:
    """One writer on one topic, and the flows to all its readers.  Size and rate are known."""

    topic: str
    writer: str
    size_bytes: int
    rate_hz: float
    flows: tuple[DeclaredFlow, ...]

    @property
    def readers(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(f.reader for f in self.flows))

    @property
    def reliable(self) -> bool:
        """Whether the writer offers to be."""
        return self.flows[0].offered.qos.reliability is Reliability.RELIABLE

    @property
    def answering(self) -> tuple[str, ...]:
        """The participants of the readers that answer heartbeats, once for each reader."""
        if not self.reliable:
            return ()
        return tuple(f.reader for f in self.flows if f.requested.qos.reliability is Reliability.RELIABLE)


def streams_of(flows: Iterable[DeclaredFlow]) -> tuple[Stream, ...]:
    """The flows of which size and rate are declared, by topic and writer, in their order."""
    found: dict[tuple[str, str], list[DeclaredFlow]] = {}
    for flow in flows:
        if flow.size_bytes and flow.rate_hz:
            found.setdefault((flow.wire_topic, flow.writer), []).append(flow)
    return tuple(
        Stream(f[0].topic, f[0].writer, f[0].size_bytes or 0, f[0].rate_hz or 0.0, tuple(f))
        for f in found.values()
    )


class Sender:
    """Sends streams on paper."""

    def __init__(self, reach: Reach) -> None:
        self.reach = reach
        self._participants = {p.name: p for p in reach.site.participants}
        self._ways: dict[tuple[str, str], tuple[Copy, ...]] = {}
        self._links: dict[Joint, list[Link]] = defaultdict(list)
        for link in (*reach.site.links, *reach.assumed):
            for joint in link.joins:
                self._links[joint].append(link)

    def data(self, participant: str) -> DataPhase:
        return profile_of(self._participants[participant].middleware).data

    def machine(self, participant: str) -> str:
        return self._participants[participant].machine

    def copies(self, stream: Stream) -> tuple[Copy, ...]:
        """The ways on which each sample goes out."""
        left = list(stream.readers)
        made = []
        while (best := self._multicast(stream.writer, left)) is not None:
            made.append(best)
            left = [r for r in left if r not in best.readers]
        for reader in left:
            made.extend(self._unicast(stream.writer, reader))
        return tuple(made)

    def parcels(self, stream: Stream, copies: Sequence[Copy] | None = None) -> Iterator[Parcel]:
        """All that a stream puts on links: samples, heartbeats, answers, and repeats of what is lost."""
        data = self.data(stream.writer)
        copies = self.copies(stream) if copies is None else copies
        upkeep = self.upkeep(stream)
        for copy in copies:
            yield from self._sent(stream, data, copy, upkeep)
        for reader in stream.answering:
            answer = self.data(reader).acknack_message_bytes
            yield from self._asks(stream, reader, (Again(answer, upkeep.answers_hz, True),))
            for copy in copies:
                if reader in copy.readers:
                    slowest = _slowest_s(stream, data, copy)
                    lossy = Lossy(stream.size_bytes, stream.rate_hz, copy.loss, copy.mtu_bytes, slowest)
                    yield from self._asks(stream, reader, repairs_of(lossy, data, upkeep, answer))

    def _asks(self, stream: Stream, reader: str, messages: Iterable[Again]) -> Iterator[Parcel]:
        """A reader's answers, at each address or one; and what the writer repeats for it, at one."""
        for one in messages:
            if one.answer:
                ways, kind = self._unicast(reader, stream.writer), Kind.ANSWER
            else:
                ways, kind = self._unicast(stream.writer, reader)[:1], Kind.REPEAT
            for way in ways:
                if one.rate_hz > 0:
                    yield Parcel(kind, way, messages_of((one.payload_bytes,), way.mtu_bytes), one.rate_hz)

    def upkeep(self, stream: Stream) -> Upkeep:
        """Of a stream; where no reader is reliable, one library sends its heartbeats all the same."""
        data = self.data(stream.writer)
        if not stream.reliable or not (stream.answering or data.heartbeat_always):
            return NOTHING
        offered = stream.flows[0].offered
        return upkeep_of(stream.rate_hz, stream.size_bytes, offered, data, self.to_many(stream))

    def to_many(self, stream: Stream) -> bool:
        return len(stream.readers) > 1

    def _sent(self, stream: Stream, data: DataPhase, copy: Copy, upkeep: Upkeep) -> Iterator[Parcel]:
        many = self.to_many(stream)
        for carries, rate in ((True, upkeep.carried_hz), (False, stream.rate_hz - upkeep.carried_hz)):
            if rate > 0:
                way = Way(stream.reliable, carries, many)
                messages = sample_messages(stream.size_bytes, data, way, copy.mtu_bytes)
                yield Parcel(Kind.SAMPLE, copy, messages, rate)
        if upkeep.alone_hz:
            alone = messages_of((heartbeat_payload(data, many),), copy.mtu_bytes)
            yield Parcel(Kind.HEARTBEAT, copy, alone, upkeep.alone_hz)

    def _multicast(self, writer: str, readers: Sequence[str]) -> Copy | None:
        """The multicast that serves most of these readers, if it serves enough of them; of several links,
        the last one.  It goes out on that link even if all who read it are on the writer's machine."""
        if not self._uses_multicast(writer):
            return None
        willing = [r for r in readers if self._uses_multicast(r) and self.data(r).announces_multicast]
        if len(willing) < self.data(writer).multicast_from:
            return None
        best: tuple[int, Link, Joint, list[str]] | None = None
        for joint in self.reach.joints(writer):
            for link in self._links[joint]:
                heard = set(self.reach.listeners(link))
                served = [r for r in willing if r in heard]
                if best is None or len(served) >= best[0]:
                    best = len(served), link, joint, served
        if best is None or best[0] < self.data(writer).multicast_from:
            return None
        return self._flood(writer, *best[1:])

    def _flood(self, writer: str, link: Link, joint: Joint, readers: list[str]) -> Copy:
        crossings = [Crossing(link, joint, _others(link, joint), True)]
        for heard in self.reach.audience(writer):
            if heard.hops > 1 and heard.link is not link:
                crossings.append(Crossing(heard.link, heard.sender, _others(heard.link, heard.sender), True))
        ways = (self.reach.multicast(writer, reader) for reader in readers)
        mtus = [way.mtu_bytes for way in ways if way is not None and way.hops]
        return Copy(tuple(crossings), tuple(readers), min(mtus, default=DEFAULT_MTU_BYTES))

    def _uses_multicast(self, participant: str) -> bool:
        discovery = self._participants[participant].discovery
        return discovery is None or discovery.mode is not DiscoveryMode.PEERS

    def _unicast(self, sender: str, receiver: str) -> tuple[Copy, ...]:
        """A copy at each address, or at the nearest one; none within a machine."""
        key = sender, receiver
        if key not in self._ways:
            self._ways[key] = tuple(self._routed(sender, receiver))
        return self._ways[key]

    def _routed(self, sender: str, receiver: str) -> Iterator[Copy]:
        if self.data(sender).every_address:
            routes: Iterable[Route] = self.reach.routes(sender, receiver)
        else:
            nearest = self.reach.unicast(sender, receiver)
            routes = () if nearest is None else (nearest,)
        for route in routes:
            if route.hops:
                crossings = tuple(Crossing(h.link, h.sender, (h.receiver,)) for h in route.hops)
                yield Copy(crossings, (receiver,), route.mtu_bytes)


def _slowest_s(stream: Stream, data: DataPhase, copy: Copy) -> float:
    """What the slowest link of a way takes for one sample; asked for only where it matters."""
    if not is_cut(stream.size_bytes, data):
        return 0.0
    packets = sample_messages(stream.size_bytes, data, Way(stream.reliable), copy.mtu_bytes).packets
    return max((carrying_s(c.link, packets, many=c.many) for c in copy.crossings), default=0.0)


def _others(link: Link, sender: Joint) -> tuple[Joint, ...]:
    return tuple(joint for joint in link.joins if joint != sender)
