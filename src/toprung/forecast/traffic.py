"""Traffic of a site's declared flows: what each link carries, how busy it is, and with what.

Every packet is counted with its headers, each heartbeat, answer and repeat with it;
`toprung.forecast.streams` says who sends what.  Rates are means over the flows' periods; a sample's own
packets go out together.
Discovery is not in it (`toprung.forecast.discovery`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from toprung.forecast.fragments import Datagrams, Reassembly, any_lost, ip_packets, mean_rounds, reassembly
from toprung.forecast.frames import Messages, Way, sample_messages
from toprung.forecast.matching import matcher
from toprung.forecast.media import Sent, Use, busyness
from toprung.forecast.reach import Reach
from toprung.forecast.reliable import KEPT_SAMPLES
from toprung.forecast.streams import Copy, Parcel, Sender, Stream, streams_of
from toprung.model.ladder import Flow
from toprung.model.site import DeclaredFlow, Joint, Link, Site
from toprung.model.verdict import HELD


@dataclass(frozen=True, slots=True)
class Load:
    """What one end puts on a link.  Bytes are of frames as captured: Ethernet header to packet's end."""

    sender: Joint
    bytes_per_s: float
    packets_per_s: float


@dataclass(frozen=True, slots=True)
class LinkTraffic:
    """What a link carries.  The packets that an access point sends again are in its air, not in its bytes.

    payload_bytes_per_s: UDP payload.  air_time: share of the time in which somebody sends (Wi-Fi only).
    busy: share of the time that is taken, of the fuller direction; air: with silences, backoff, beacons and
    collisions; above 1 it cannot carry this.  collision: the greatest chance of a station's frame to meet
    another's.  hold_s: mean and worst wait of multicast for a beacon while a station sleeps.  None where the
    site does not declare the rate.
    """

    link: Link
    loads: tuple[Load, ...]
    payload_bytes_per_s: float
    air_time: float | None
    busy: float | None
    collision: float | None
    hold_s: tuple[float, float]
    uses: tuple[Use, ...]  # by topic and writer, greatest first
    assumptions: tuple[str, ...] = ()
    sent: tuple[Sent, ...] = ()

    @property
    def bytes_per_s(self) -> float:
        return sum(load.bytes_per_s for load in self.loads)

    @property
    def packets_per_s(self) -> float:
        return sum(load.packets_per_s for load in self.loads)

    @property
    def headroom(self) -> float | None:
        """Share of the time that is left; none where the link is full."""
        return None if self.busy is None else max(0.0, 1 - self.busy)

    @property
    def says(self) -> str | None:
        """The greatest use in words: "cart1/image takes 61 % of the air"."""
        if not self.uses or self.uses[0].share is None:
            return None
        what = "the air" if self.air_time is not None else f"link {self.link.name}"
        part = "less than 1" if self.uses[0].share < 0.01 else f"{100 * self.uses[0].share:.0f}"
        return f"{self.uses[0].topic} takes {part} % of {what}"


@dataclass(frozen=True, slots=True)
class FlowTraffic:
    """One flow's samples on their way.  `copy` None: they stay within the machine, or there is no way.

    loss: the chance that a sample does not come whole at the first try.  rounds: mean number of tries until
    it has (reliable both sides), None where nothing is repeated.
    """

    copy: Copy | None
    messages: Messages | None
    loss: float
    rounds: float | None


@dataclass(frozen=True, slots=True)
class Traffic:
    """All links, flows and machines of a site.  `unknown`: topics of which the site says no size or rate."""

    links: Mapping[str, LinkTraffic]
    flows: Mapping[Flow, FlowTraffic]
    machines: Mapping[str, Reassembly]
    unknown: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = field(default=())


def traffic_of(site: Site, reach: Reach, flows: Iterable[DeclaredFlow] | None = None) -> Traffic:
    """The traffic of these flows; None: of all that match."""
    if flows is None:
        judge = matcher(site).judge
        flows = [flow for flow in site.flows() if judge(flow) is HELD]
    flows = list(flows)
    sender = Sender(reach)
    sent: dict[str, list[Sent]] = defaultdict(list)
    arriving: dict[str, list[Datagrams]] = defaultdict(list)
    found: dict[Flow, FlowTraffic] = {}
    for stream in streams_of(flows):
        copies = sender.copies(stream)
        for parcel in sender.parcels(stream, copies):
            for crossing in parcel.copy.crossings:
                sent[crossing.link.name].append(Sent(stream.topic, stream.writer, parcel, crossing))
            _arrive(arriving, sender, parcel)
        for flow in stream.flows:
            found[flow.flow] = _flow_traffic(flow, stream, copies, sender)
    return Traffic(
        {link.name: _link_traffic(link, sent[link.name]) for link in (*site.links, *reach.assumed)},
        found,
        {machine.name: reassembly(arriving[machine.name]) for machine in site.machines},
        tuple(dict.fromkeys(f.topic for f in flows if not (f.size_bytes and f.rate_hz))),
        (f"writers keep their last {KEPT_SAMPLES} samples where the site does not say",),
    )


def _arrive(arriving: dict[str, list[Datagrams]], sender: Sender, parcel: Parcel) -> None:
    """Datagrams in fragments, at the machines of their readers."""
    copy = parcel.copy
    machines = {sender.machine(reader) for reader in copy.readers}
    for payload in parcel.messages.payloads:
        packets = ip_packets(payload, copy.mtu_bytes)
        if len(packets) > 1:
            for machine in machines:
                arriving[machine].append(Datagrams(packets, parcel.rate_hz, copy.loss))


def _flow_traffic(flow: DeclaredFlow, stream: Stream, copies: Sequence[Copy], sender: Sender) -> FlowTraffic:
    ways = [copy for copy in copies if flow.reader in copy.readers]
    if not ways or sender.machine(flow.reader) == sender.machine(flow.writer):
        return FlowTraffic(None, None, 0.0, None)
    data = sender.data(flow.writer)
    way = Way(stream.reliable, data.heartbeat_always and stream.reliable, sender.to_many(stream))
    messages = sample_messages(stream.size_bytes, data, way, ways[0].mtu_bytes)
    loss = 1.0
    for copy in ways:  # it comes if one copy does
        loss *= any_lost(copy.loss, len(messages.packets))
    rounds = None
    if flow.reader in stream.answering:
        greatest = max(messages.payloads)
        unit = any_lost(ways[0].loss, len(ip_packets(greatest, ways[0].mtu_bytes)))
        rounds = mean_rounds(unit, len(messages.payloads))
    return FlowTraffic(ways[0], messages, loss, rounds)


def _link_traffic(link: Link, sent: Sequence[Sent]) -> LinkTraffic:
    packets: dict[Joint, float] = defaultdict(float)
    octets: dict[Joint, float] = defaultdict(float)
    for one in sent:
        packets[one.crossing.sender] += one.parcel.rate_hz * len(one.packets)
        octets[one.crossing.sender] += one.parcel.rate_hz * one.parcel.messages.link_bytes
    found = busyness(link, sent)
    return LinkTraffic(
        link,
        tuple(Load(joint, octets[joint], packets[joint]) for joint in link.joins),
        sum(s.parcel.rate_hz * s.parcel.messages.payload_bytes for s in sent),
        found.air_time,
        found.busy,
        found.collision,
        found.hold_s,
        found.uses,
        found.assumptions,
        tuple(sent),
    )
