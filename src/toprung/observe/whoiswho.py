"""Who is who: one optimal assignment of the declared participants to those seen.

Lives (GUID prefixes) of one program are assigned as one; what is assigned must have something that speaks for
it; how sure that is follows from what the second best assignment would score.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from toprung.model.picture import Endpoint, Participant, Picture
from toprung.model.site import Site
from toprung.observe.assigning import assign, lead
from toprung.observe.cast import Cast, Role
from toprung.observe.likeness import Profile, Resemblance, endpoints_by_participant, profiles_of, resemblance
from toprung.observe.ownership import is_loopback
from toprung.observe.places import Places, places_of
from toprung.observe.traits import Hint, traffic_fit, unnamed_topics

__all__ = ["Cast", "Role", "recognise"]

CLEARLY = 0.75  # by how much the best assignment must beat any without a pair, for that pair to be certain
OVERLAP_NS = 1_000_000_000  # a new life may begin so long before the old one is heard last


@dataclass(frozen=True, slots=True)
class Program:
    """Lives of one program on one machine, oldest first."""

    lives: tuple[int, ...]
    machine: str | None
    endpoints: tuple[Endpoint, ...]


def recognise(site: Site | None, picture: Picture) -> Cast:
    """The cast of a picture; without a site everybody is undeclared and gets a name of their own."""
    places = places_of(site, picture)
    endpoints = endpoints_by_participant(picture)
    servers = tuple(i for i, p in enumerate(picture.participants) if p.serves and not endpoints.get(i))
    programs = _programs(picture, places, endpoints, servers)
    roles: dict[str, Role] = {}
    hint = Hint(site, picture, places)
    if site is not None:
        roles = _roles(site, picture, programs, hint)
    played = {i: role.name for role in roles.values() for i in role.lives}
    machines = _machines(site, picture, places, played)
    return Cast(
        roles=roles,
        names=_names(picture, machines, played, servers),
        machines=machines,
        views=places.views,
        hosts=_hosts(site, picture, places, machines),
        undeclared=tuple(i for i in range(len(picture.participants)) if i not in played and i not in servers),
        servers=servers,
        topics=unnamed_topics(hint, roles.values()),
    )


def _programs(
    picture: Picture,
    places: Places,
    endpoints: Mapping[int, Sequence[Endpoint]],
    servers: Iterable[int],
) -> list[Program]:
    """Participants seen, with the lives of one program put together."""
    programs: list[Program] = []
    for i, participant in enumerate(picture.participants):
        if i in servers:
            continue
        machine, mine = places.of(participant), tuple(endpoints.get(i, ()))
        for at, program in enumerate(programs):
            if _goes_on(picture, program, participant, machine, mine):
                programs[at] = Program((*program.lives, i), machine, (*program.endpoints, *mine))
                break
        else:
            programs.append(Program((i,), machine, mine))
    return programs


def _goes_on(
    picture: Picture,
    program: Program,
    participant: Participant,
    machine: str | None,
    endpoints: Sequence[Endpoint],
) -> bool:
    """Whether a participant is a program's next life: same machine, name and topics, and not at one time."""
    last = picture.participants[program.lives[-1]]
    ended = last.goodbye or last.last_heard
    if participant.first_heard.time_ns < ended.time_ns - OVERLAP_NS:
        return False
    if machine is None or machine != program.machine or participant.name != last.name:
        return False
    before = {(e.side, e.topic) for e in program.endpoints if e.topic is not None}
    now = {(e.side, e.topic) for e in endpoints if e.topic is not None}
    if before and now:
        return 2 * len(before & now) > max(len(before), len(now))
    return participant.vendor == last.vendor and bool(last.goodbye or before == now)


def _roles(site: Site, picture: Picture, programs: Sequence[Program], hint: Hint) -> dict[str, Role]:
    profiles = profiles_of(site, site.flows())
    table = [
        [_resemblance(site, picture, profile, program, hint) for program in programs] for profile in profiles
    ]
    scores = np.array([[r.score if r.counts else 0.0 for r in row] for row in table]).reshape(
        len(profiles), len(programs)
    )
    pairs = assign(scores)
    roles = {}
    for row, profile in enumerate(profiles):
        column = pairs.get(row)
        if column is None:
            roles[profile.name] = Role(profile.name)
            continue
        sure = lead(scores, pairs, row, CLEARLY) >= CLEARLY
        reason = ", ".join(table[row][column].traits)
        roles[profile.name] = Role(profile.name, programs[column].lives, sure, reason)
    return roles


def _resemblance(site: Site, picture: Picture, profile: Profile, program: Program, hint: Hint) -> Resemblance:
    last = picture.participants[program.lives[-1]]
    found = resemblance(profile, last, program.machine, program.endpoints, site.domain)
    fit = traffic_fit(hint, profile.name, program.lives)
    if not fit:
        return found
    return Resemblance(found.score + fit, (*found.traits, "its traffic") if fit > 0 else found.traits)


def _machines(
    site: Site | None, picture: Picture, places: Places, played: Mapping[int, str]
) -> tuple[str | None, ...]:
    """Of every participant: by its addresses, else by the role that it plays."""
    declared = {p.name: p.machine for p in site.participants} if site else {}
    return tuple(
        places.of(p) or (declared[played[i]] if i in played else None)
        for i, p in enumerate(picture.participants)
    )


def _hosts(
    site: Site | None, picture: Picture, places: Places, machines: Sequence[str | None]
) -> dict[str, frozenset[str]]:
    hosts = places.by_machine()
    for machine in site.machines if site else ():
        hosts[machine.name] = hosts.get(machine.name, frozenset()) | machine.hosts
    for participant, home in zip(picture.participants, machines, strict=True):
        if home is not None and not participant.serves:
            mine = frozenset(
                a for a in participant.sources if places.hosts.get(a, home) == home and not is_loopback(a)
            )
            hosts[home] = hosts.get(home, frozenset()) | mine
    return hosts


def _names(
    picture: Picture, machines: Sequence[str | None], played: Mapping[int, str], servers: Sequence[int]
) -> tuple[str, ...]:
    """The declared name; else the name on the wire where only one has it; else machine and number."""
    taken = set(played.values())
    names: list[str] = []
    for i, participant in enumerate(picture.participants):
        if i in played:
            names.append(played[i])
            continue
        home = machines[i] or next(iter(participant.sources), participant.prefix.hex())
        plain = "discovery server" if i in servers else participant.name
        name = plain if plain and plain not in taken else f"{plain or 'participant'} on {home}"
        number, base = 2, name
        while name in taken:
            name, number = f"{base} ({number})", number + 1
        taken.add(name)
        names.append(name)
    return tuple(names)
