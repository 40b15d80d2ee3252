"""Where datagrams pass: the ways between two machines, and what happens on a link or at a machine's door."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from toprung.model.ladder import Flow
from toprung.model.site import DeclaredFlow, Joint, Link, Pass, Site
from toprung.rehearse.kinds.kind import Ask, Key, one_of
from toprung.rehearse.specs import Cast, Event, Plan, Rule, SetRules

WAY = Key("way", "both", one_of("both", "to", "from"), "to the machine, from it, or both")
NOT_LOOPBACK = 'iifname != "lo"'  # a firewall guards the door, not the house


@dataclass(frozen=True, slots=True)
class Hop:
    """One crossing of one link."""

    link: str
    sender: Joint
    receiver: Joint


@dataclass(frozen=True, slots=True)
class Place:
    """A whole link, a machine's end of it, or (link "") a machine's own firewall."""

    link: str
    machine: str = ""
    way: str = "both"

    @property
    def firewall(self) -> bool:
        return not self.link

    def meets(self, hop: Hop) -> bool:
        """Whether a datagram on this hop comes by."""
        if self.firewall:
            return hop.receiver.machine == self.machine
        if hop.link != self.link:
            return False
        inward, outward = hop.receiver.machine == self.machine, hop.sender.machine == self.machine
        return not self.machine or (inward and self.way != "from") or (outward and self.way != "to")

    def rules(self, like: Rule) -> tuple[Rule, ...]:
        """The rule, bound to this place of its link."""
        if not self.machine:
            return (like,)
        into, out = replace(like, receiver=self.machine), replace(like, sender=self.machine)
        return {"both": (into, out), "to": (into,), "from": (out,)}[self.way]


def place_of(ask: Ask) -> Place:
    """The place that the fault's subject names."""
    link, slash, machine = ask.subject.partition("/")
    if slash or link in {known.name for known in ask.site.links}:
        return Place(link, machine, ask.values.get("way", "both"))
    return Place("", link)


def put(plan: Plan, ask: Ask, rule: Rule) -> None:
    """Have a link do something to its frames, from the start or from a time on."""
    place = place_of(ask)
    rules = place.rules(rule)
    if ask.at_s is None:
        plan.links[place.link].rules += rules
    else:
        plan.events.append(Event(ask.at_s, SetRules(place.link, (*plan.links[place.link].rules, *rules))))


def guard(plan: Plan, machine: str, match: str) -> None:
    """Have a machine's own firewall drop what it gets."""
    plan.machines[machine].filters.append(f"{NOT_LOOPBACK} {match} drop")


NFT_CAST: dict[Cast, str] = {
    "": "meta l4proto udp",
    "multicast": "ip daddr 224.0.0.0/4",
    "unicast": "ip daddr != 224.0.0.0/4 meta l4proto udp",
}


def block(plan: Plan, ask: Ask, rule: Rule) -> None:
    """Drop datagrams on a link, or at a machine's own door."""
    place = place_of(ask)
    if place.firewall:
        guard(plan, place.machine, NFT_CAST[rule.cast])
    else:
        put(plan, ask, rule)


# ways between machines


def ways(site: Site, one: str, other: str) -> list[list[Hop]]:
    """Every direct way between two machines; else the shortest one through routers.  Empty: there is none."""
    if one == other:
        return [[]]
    direct = [[hop] for hop in _hops(site, one) if hop.receiver.machine == other]
    return direct or _routed(site, one, other)


def _routed(site: Site, one: str, other: str) -> list[list[Hop]]:
    front: list[list[Hop]] = [[]]
    seen = {one}
    while front:
        longer: list[list[Hop]] = []
        for way in front:
            here = way[-1].receiver.machine if way else one
            if way and Pass.UNICAST not in site.machine(here).forwards:
                continue
            for hop in _hops(site, here):
                if hop.receiver.machine == other:
                    return [[*way, hop]]
                if hop.receiver.machine not in seen:
                    seen.add(hop.receiver.machine)
                    longer.append([*way, hop])
        front = longer
    return []


def _hops(site: Site, machine: str) -> Iterator[Hop]:
    for link in site.links_of(machine):
        for mine in link.joins:
            if mine.machine != machine:
                continue
            for theirs in _beside(site, link, mine):
                yield Hop(link.name, mine, theirs)


def _beside(site: Site, link: Link, mine: Joint) -> Iterator[Joint]:
    """The link's other ends that share a subnet with this one, or declare no address."""
    own = _networks(site, mine)
    for joint in link.joins:
        theirs = _networks(site, joint)
        if joint.machine != mine.machine and (not own or not theirs or own & theirs):
            yield joint


def _networks(site: Site, joint: Joint) -> set[object]:
    machine = site.machine(joint.machine)
    return {a.network for i in machine.interfaces if i.name == joint.interface for a in i.addresses}


# flows at a place


def ends_of(ask: Ask, flow: DeclaredFlow) -> tuple[str, str]:
    """The machines of its writer and reader."""
    return ask.machine_of(flow.writer), ask.machine_of(flow.reader)


def forth(ask: Ask, flow: DeclaredFlow) -> list[list[Hop]]:
    return ways(ask.site, *ends_of(ask, flow))


def back(ask: Ask, flow: DeclaredFlow) -> list[list[Hop]]:
    return ways(ask.site, *reversed(ends_of(ask, flow)))


def _all_meet(place: Place, found: list[list[Hop]]) -> bool:
    return bool(found) and all(any(place.meets(h) for h in way) for way in found)


def passing(ask: Ask) -> list[DeclaredFlow]:
    """Flows whose samples have no way round the place."""
    place = place_of(ask)
    return [f for f in ask.flows() if _all_meet(place, forth(ask, f))]


def meeting(ask: Ask) -> list[DeclaredFlow]:
    """Flows that have no way round the place, with their samples or with the answers to them."""
    place = place_of(ask)
    return [f for f in ask.flows() if _all_meet(place, forth(ask, f)) or _all_meet(place, back(ask, f))]


def flows_passing(ask: Ask) -> list[Flow]:
    return [f.flow for f in passing(ask)]


def flows_meeting(ask: Ask) -> list[Flow]:
    return [f.flow for f in meeting(ask)]
