"""What the judges look at: the site, what can reach what, and the loads that follow from both."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from math import inf, isfinite

from toprung.forecast.discovery import MachineDiscovery, discovery_of
from toprung.forecast.latencies import latency_of, legs_of
from toprung.forecast.latency import Latency
from toprung.forecast.loops import LoopForecast, loops_of
from toprung.forecast.matching import matcher
from toprung.forecast.ports import Ports, ports_of
from toprung.forecast.profile import profile_of
from toprung.forecast.reach import DEFAULT_MTU_BYTES, Reach, Route
from toprung.forecast.simulation import MachineRun, Simulated
from toprung.forecast.traffic import Traffic, traffic_of
from toprung.model.finding import Finding
from toprung.model.ladder import Flow
from toprung.model.site import DeclaredFlow, DiscoveryMode, Joint, Machine, Participant, Site
from toprung.model.verdict import HELD, Verdict

ASSUMED_MODE = DiscoveryMode.MULTICAST  # DDSI-RTPS 2.5, 8.5.3: the simple protocol's default

_WAYS = {
    DiscoveryMode.MULTICAST: "by multicast",
    DiscoveryMode.PEERS: "by its peers list",
    DiscoveryMode.SERVER: "through a discovery server",
}


@dataclass(frozen=True, slots=True)
class Case:
    """One declared flow and its two ends."""

    declared: DeclaredFlow
    writer: Participant
    reader: Participant

    @property
    def flow(self) -> Flow:
        return self.declared.flow

    @property
    def ends(self) -> tuple[Participant, Participant]:
        return self.writer, self.reader

    @property
    def ways(self) -> tuple[tuple[Participant, Participant], tuple[Participant, Participant]]:
        """Both directions, (sender, receiver): samples go one way, discovery and answers both."""
        return (self.writer, self.reader), (self.reader, self.writer)

    @property
    def one_machine(self) -> bool:
        return self.writer.machine == self.reader.machine


class Basis:
    """Site and reach, with the look-ups that the rungs share.  `simulated`: discovery, where it was run."""

    def __init__(self, site: Site, reach: Reach, simulated: Simulated | None = None) -> None:
        self.site = site
        self.reach = reach
        self.simulated = simulated

    @cached_property
    def cases(self) -> tuple[Case, ...]:
        """Every declared flow, in the site's order."""
        named = {p.name: p for p in self.site.participants}
        return tuple(Case(f, named[f.writer], named[f.reader]) for f in self.site.flows())

    @cached_property
    def hosts(self) -> dict[str, tuple[str, ...]]:
        """Every machine's addresses, in the site's order."""
        return {m.name: tuple(h for i in m.interfaces for h in i.hosts) for m in self.site.machines}

    @cached_property
    def ports(self) -> dict[str, Ports]:
        """Where every participant listens."""
        return ports_of(self.site)

    @cached_property
    def machines(self) -> dict[str, Machine]:
        """The site's machines by name."""
        return {m.name: m for m in self.site.machines}

    @cached_property
    def discovery(self) -> dict[str, MachineDiscovery]:
        """What discovery costs every machine."""
        return {d.machine: d for d in discovery_of(self.site, self.reach)}

    @cached_property
    def lease_s(self) -> float:
        """The shortest lease of any participant, as its library announces it by default."""
        return min((profile_of(p.middleware).rules.lease_s for p in self.site.participants), default=inf)

    @cached_property
    def runs(self) -> dict[str, MachineRun]:
        """What the simulation made of every machine; empty without one."""
        return {} if self.simulated is None else {m.machine: m for m in self.simulated.machines}

    @cached_property
    def traffic(self) -> Traffic:
        """What the matching flows put on every link."""
        matching = [c.declared for c in self.cases if self.matches[c.flow] is HELD]
        return traffic_of(self.site, self.reach, matching)

    @cached_property
    def latencies(self) -> dict[Flow, Latency]:
        """How old the matching flows' samples are on arrival, where every link on their way has a rate."""
        machines = {name: load.figures for name, load in self.discovery.items()}
        found = latency_of(self.site, self.reach, self.traffic, machines)
        return {flow: age for flow, age in found.items() if self.rated(flow)}

    def rated(self, flow: Flow) -> bool:
        """Whether the site says the rate of every link that the flow's samples cross."""
        found = self.traffic.flows.get(flow)
        crossings = () if found is None or found.copy is None else found.copy.crossings
        return all(self.traffic.links[crossing.link.name].busy is not None for crossing in crossings)

    @cached_property
    def loops(self) -> dict[str, LoopForecast]:
        """What the site's loops come to."""
        return loops_of(self.site, legs_of(self.site, self.latencies))

    @cached_property
    def alone(self) -> dict[str, list[float]]:
        """Of each link: how old samples usually are that cross it and no other."""
        found: dict[str, list[float]] = {}
        for flow, age in self.latencies.items():
            traffic = self.traffic.flows.get(flow)
            crossings = () if traffic is None or traffic.copy is None else traffic.copy.crossings
            if len(crossings) == 1 and isfinite(age.typical_s):
                found.setdefault(crossings[0].link.name, []).append(age.typical_s)
        return found

    @cached_property
    def slow_loops(self) -> dict[Flow, Finding]:
        """Of each flow: a loop that it belongs to, and that reacts too slowly for its vehicle."""
        return {flow: x.finding for x in self.loops.values() if x.finding is not None for flow in x.path}

    @cached_property
    def writers(self) -> dict[str, tuple[str, ...]]:
        """Every topic's writers, by its name on the wire."""
        found: dict[str, dict[str, None]] = {}
        for case in self.cases:
            found.setdefault(case.declared.wire_topic, {})[case.writer.name] = None
        return {topic: tuple(names) for topic, names in found.items()}

    @cached_property
    def matches(self) -> dict[Flow, Verdict]:
        """Whether the two sides of each flow suit each other."""
        judge = matcher(self.site).judge
        return {case.flow: judge(case.declared) for case in self.cases}

    @cached_property
    def placed(self) -> frozenset[str]:
        """Machines that the site joins to anything."""
        links = (*self.site.links, *self.reach.assumed)
        return frozenset(j.machine for link in links for j in link.joins)

    @cached_property
    def _speakers(self) -> frozenset[str]:
        return frozenset(p.machine for p in self.site.participants)

    def speaks(self, machine: str) -> bool:
        """Whether any participant runs on the machine."""
        return machine in self._speakers

    @cached_property
    def _mtus(self) -> dict[Joint, int | None]:
        return {Joint(m.name, i.name): i.mtu_bytes for m in self.site.machines for i in m.interfaces}

    def mtu(self, joint: Joint) -> int:
        """The greatest IP packet of an interface."""
        return self._mtus.get(joint) or DEFAULT_MTU_BYTES

    def route(self, case: Case) -> Route | None:
        """The way of the flow's samples."""
        return self.reach.unicast(case.writer.name, case.reader.name)

    def machine_routes(self, case: Case) -> Iterator[Route | None]:
        """Both ways between the flow's machines, whatever interfaces its participants use."""
        return (self.reach.machines(a.machine, b.machine) for a, b in case.ways)


def mode_of(participant: Participant) -> DiscoveryMode:
    """How the participant looks for others; multicast where the site does not say."""
    return ASSUMED_MODE if participant.discovery is None else participant.discovery.mode


def speaks_by(participant: Participant) -> str:
    """How a participant looks for others, in words."""
    return _WAYS[mode_of(participant)]


def both(one: str, other: str, link: str = "") -> str:
    """The name of a pair, whichever way it is looked at."""
    first, second = sorted((one, other))
    return f"{first} <-> {second}" + (f" ({link})" if link else "")


def at(participant: Participant) -> str:
    """A participant as the subject of a finding."""
    return f"{participant.name} ({participant.machine})"
