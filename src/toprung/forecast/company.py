"""The participants of a site as arrays: who meets whom, and how much each has to say.

Rows are participants in the order in which they start.  Two meet if one hears the other's announcements,
by multicast or as one of its peers, and they can answer each other.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from toprung.forecast.announcing import Announced, Sizes, endpoint_bytes, participant_payload
from toprung.forecast.profile import Profile, profile_of
from toprung.forecast.reach import Reach
from toprung.model.picture import Side
from toprung.model.site import DiscoveryMode, Middleware, Participant, Site, StatedQos
from toprung.model.site_flows import wire_topic, wire_type

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

SPREAD_S = (
    1.0  # robots are switched on together: their participants start within so much, in the file's order
)
LATE_S = (
    0.025  # an application makes its endpoints so long after its participant, where nobody says otherwise
)


class Endpoint(NamedTuple):
    """What one participant introduces."""

    side: Side
    topic: str
    type_name: str
    stated: StatedQos


@dataclass(frozen=True)
class Company:
    """All participants that discover each other, sorted by start."""

    site: Site
    participants: tuple[Participant, ...]
    profiles: tuple[Profile, ...]
    modes: tuple[DiscoveryMode, ...]
    starts_s: Floats
    late_s: Floats  # from a participant's start to its endpoints
    machine: Ints  # index in site.machines
    parts: tuple[tuple[int, ...], ...]  # bytes of each introduction with its time, the writers' first
    writers: Ints  # writers that each has
    meets: Bools  # (n, n), symmetric; nobody meets itself
    hears: Bools  # (n, n): [i, j] j hears i's first announcement
    reached: Bools  # (n, machines): other machines that i's multicast crosses the wire to
    asked: Ints  # (n, machines): addresses of other machines that i looks for peers at
    copies: Ints  # interfaces that i's multicast leaves by

    @property
    def count(self) -> int:
        return len(self.participants)

    @cached_property
    def remote(self) -> Bools:
        """Pairs that meet and whose machines differ."""
        apart: Bools = self.machine[:, None] != self.machine[None, :]
        return self.meets & apart

    @cached_property
    def endpoints(self) -> Ints:
        return np.array([len(p) for p in self.parts], "i8")

    def where(self, middleware: Middleware) -> Bools:
        """The participants of one library."""
        found: Bools = np.array([p.middleware is middleware for p in self.profiles], bool)
        return found

    def per_rule(self, name: str) -> Floats:
        """A number of everybody's rules; infinite where the rule is None."""
        said = [getattr(p.rules, name) for p in self.profiles]
        return np.array([np.inf if s is None else float(s) for s in said])


def company_of(
    site: Site,
    reach: Reach,
    *,
    starts_s: Mapping[str, float] | None = None,
    late_s: Mapping[str, float] | None = None,
) -> Company:
    """Everybody but those with a central server, who meet nobody by themselves.

    starts_s: when each participant starts; else evenly within SPREAD_S, in the file's order.  late_s: how
    long after that its endpoints are there; else LATE_S.
    """
    everybody = [p for p in site.participants if mode_of(p) is not DiscoveryMode.SERVER]
    return gathered(site, reach, everybody, starts_s, late_s)


def gathered(
    site: Site,
    reach: Reach,
    everybody: list[Participant],
    starts_s: Mapping[str, float] | None,
    late_s: Mapping[str, float] | None,
) -> Company:
    """The company of these participants."""
    spread = np.arange(len(site.participants)) * (SPREAD_S / max(1, len(site.participants)))
    evenly = {p.name: float(s) for p, s in zip(site.participants, spread, strict=True)}
    starts = {p.name: (starts_s or evenly).get(p.name, evenly[p.name]) for p in everybody}
    ordered = sorted(everybody, key=lambda p: starts[p.name])
    places = {m.name: row for row, m in enumerate(site.machines)}
    profiles = tuple(profile_of(p.middleware) for p in ordered)
    endpoints = endpoints_of(site)
    own = [endpoints.get(p.name, ()) for p in ordered]
    hears, reached, asked, copies = _heard(site, reach, ordered, profiles, places)
    meets = hears | hears.T
    np.fill_diagonal(meets, False)
    return Company(
        site,
        tuple(ordered),
        profiles,
        tuple(mode_of(p) for p in ordered),
        np.array([starts[p.name] for p in ordered]),
        np.array([(late_s or {}).get(p.name, LATE_S) for p in ordered]),
        np.array([places[p.machine] for p in ordered], "i8"),
        tuple(_parts(said, profile) for said, profile in zip(own, profiles, strict=True)),
        np.array([sum(e.side is Side.WRITER for e in said) for said in own], "i8"),
        meets,
        hears & meets,
        reached,
        asked,
        copies,
    )


def mode_of(participant: Participant) -> DiscoveryMode:
    """What the site says; else multicast, as the standard has it."""
    return participant.discovery.mode if participant.discovery else DiscoveryMode.MULTICAST


def endpoints_of(site: Site) -> dict[str, tuple[Endpoint, ...]]:
    """Every participant's writers and readers."""
    found: dict[str, dict[tuple[Side, str], Endpoint]] = {}
    for name, endpoint in _endpoints(site):
        found.setdefault(name, {}).setdefault((endpoint.side, endpoint.topic), endpoint)
    return {name: tuple(sorted(own.values(), key=_writers_first)) for name, own in found.items()}


def _writers_first(endpoint: Endpoint) -> bool:
    return endpoint.side is not Side.WRITER


def _endpoints(site: Site) -> Iterator[tuple[str, Endpoint]]:
    for topic in site.topics:
        name = wire_topic(topic.name, site.naming)
        kind = wire_type(topic.type_name, site.naming) or ""
        for writer in topic.writers:
            yield writer, Endpoint(Side.WRITER, name, kind, topic.offered)
        for reader in topic.readers:
            yield reader, Endpoint(Side.READER, name, kind, topic.requested)
    if site.services or site.actions:
        for flow in site.flows():
            kind = flow.type_name or ""
            yield flow.writer, Endpoint(Side.WRITER, flow.wire_topic, kind, flow.offered)
            yield flow.reader, Endpoint(Side.READER, flow.wire_topic, kind, flow.requested)


def _parts(endpoints: tuple[Endpoint, ...], profile: Profile) -> tuple[int, ...]:
    return tuple(endpoint_bytes(*endpoint, profile) for endpoint in endpoints)


def announcement_of(who: Participant, profile: Profile) -> int:
    """Bytes of a participant's announcement: names of one length make one length."""
    return _announcement(len(who.name.encode()), len(who.machine.encode()), mode_of(who), profile)


@lru_cache(maxsize=1024)
def _announcement(name: int, host: int, mode: DiscoveryMode, profile: Profile) -> int:
    said = Announced("n" * name, "h" * host, 1, mode)
    return Sizes(profile).announcement(participant_payload(said, profile))


def _heard(
    site: Site,
    reach: Reach,
    ordered: list[Participant],
    profiles: tuple[Profile, ...],
    places: dict[str, int],
) -> tuple[Bools, Bools, Ints, Ints]:
    """Who hears whose first announcement; machines that multicast crosses to; addresses that are asked."""
    n = len(ordered)
    rows = {p.name: row for row, p in enumerate(ordered)}
    hears, reached = np.zeros((n, n), bool), np.zeros((n, len(places)), bool)
    asked = np.zeros((n, len(places)), "i8")
    copies = np.ones(n, "i8")
    joined: dict[str, tuple[Any, Any]] = {}
    multicast = np.array([mode_of(p) is DiscoveryMode.MULTICAST for p in ordered], bool)
    machine = np.array([places[p.machine] for p in ordered], "i8")
    position = _positions(machine)
    probed = np.array([p.rules.probed_ports for p in profiles])
    fixed_ports = np.array([not p.rules.multicast_from for p in profiles], bool) | ~multicast
    for row, participant in enumerate(ordered):
        if multicast[row]:
            audience = reach.audience(participant.name)
            copies[row] = sum(heard.hops == 1 for heard in audience)
            for heard in audience:
                key = heard.link.name
                if key not in joined:
                    listeners = [rows[name] for name in heard.listeners if name in rows]
                    joined[key] = (
                        np.array(listeners, "i8"),
                        np.array([places[j.machine] for j in heard.link.joins]),
                    )
                listeners, crossed = joined[key]
                hears[row, listeners] = True
                reached[row, crossed] = True
            hears[row, machine == machine[row]] = True
            reached[row, machine[row]] = False
            hears[row] &= multicast
        else:
            for place in reach.asks(participant.name):
                if place.machine is None or place.route is None:
                    continue
                there = places[place.machine]
                asked[row, there] += there != machine[row]
                hears[row] |= (machine == there) & (position < probed[row]) & fixed_ports
    np.fill_diagonal(hears, False)
    return hears, reached, asked, copies


def _positions(machine: Ints) -> Ints:
    """How many participants of the same machine come before each."""
    seen: dict[int, int] = {}
    found = np.zeros(len(machine), "i8")
    for row, at in enumerate(machine.tolist()):
        found[row] = seen.get(at, 0)
        seen[at] = found[row] + 1
    return found
