"""Which addresses are the capturing machine's own.

Linux cooked captures say which packets the machine sent.  Others do not; there an endpoint of a link sees
every unicast datagram from or to itself.  Where that leaves two candidates (a link of two), the same
datagrams in another view decide: a machine's own datagrams pass its own capture first.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

from toprung.model.picture import Neighbour
from toprung.observe.traffic import Course

LEAST_SHARE = 0.999  # of the unicast datagrams that must be from or to the machine itself
UNSPECIFIED = frozenset({"::", "0.0.0.0"})  # whoever has no address yet sends from these
CLEARLY = 2  # times as many datagrams
WHOLE_TTLS = (64, 128, 255)  # what hosts send with; less: forwarded
WHOLE_TTL = max(WHOLE_TTLS)

Known = Mapping[str, Collection[str]]
Lag = Callable[[int, int, str], float | None]


@dataclass(slots=True)
class Candidates:
    """What one view tells of its own addresses: `groups` of addresses, each possibly the machine's."""

    view: int
    machine: str | None
    own: frozenset[str] = frozenset()
    groups: list[frozenset[str]] = field(default_factory=list)
    unicast: Sequence[Course] = ()

    def weight(self, group: frozenset[str]) -> int:
        """Unicast datagrams of this view from or to the group."""
        return sum(c.every.count for c in self.unicast if c.source in group or c.destination in group)


def own_addresses(
    machines: Sequence[str | None],
    courses: Sequence[Course],
    neighbours: Sequence[Neighbour],
    known: Known,
    lag: Lag,
) -> list[frozenset[str]]:
    """For each view its own addresses; empty where undecided.

    `machines` [views] are the labels; `known` addresses by machine, where somebody declared them.
    `lag(one, other, address)` is how much later (s, of whatever clocks) the view `other` sees what the
    address sends, None where nothing shows.
    """
    by_view: dict[int, list[Course]] = defaultdict(list)
    hardware: dict[tuple[int, str], str] = {(n.view, n.address): n.hardware for n in neighbours}
    for course in courses:
        by_view[course.view].append(course)
    # a candidate that nobody competes with proves nothing where no unicast datagram shows both ends
    found = [
        _candidates(view, machine, by_view[view], hardware, known) for view, machine in enumerate(machines)
    ]
    _eliminate(found)
    _by_lag(found, lag)
    _eliminate(found)
    return [c.own for c in found]


def _candidates(
    view: int,
    machine: str | None,
    courses: Sequence[Course],
    hardware: Mapping[tuple[int, str], str],
    known: Known,
) -> Candidates:
    told = _told(courses)
    unicast = [c for c in courses if not c.multicast]
    if told:
        return Candidates(view, machine, told)
    groups = _groups(view, courses, hardware)
    declared = frozenset(known.get(machine or "", ()))
    mine = [g for g in groups if g & declared]
    if mine:
        return Candidates(view, machine, frozenset().union(*mine))
    possible = groups
    if machine in known:
        others = {a for name, addresses in known.items() if name != machine for a in addresses}
        possible = [g for g in groups if not g & others]
    possible = _in_every_unicast(courses, possible)
    if len(possible) == 1 and len(groups) > 1:
        return Candidates(view, machine, possible[0])
    return Candidates(view, machine, groups=possible, unicast=unicast)


def is_loopback(address: str) -> bool:
    """Whether an address never leaves its machine."""
    return address.startswith("127.") or address == "::1"


def _told(courses: Sequence[Course]) -> frozenset[str]:
    """Own addresses as a link type with directions tells them; a forwarded datagram comes in and goes out."""
    ways: dict[tuple[str, str, int], list[int]] = defaultdict(lambda: [0, 0])  # in, out
    for c in courses:
        if c.outgoing is not None:
            ways[c.source, c.destination, c.port][c.outgoing] += c.every.count
    multicast = {c.destination for c in courses if c.multicast}
    own = {source for (source, _, _), (came, went) in ways.items() if went > 2 * came}
    if own:
        own |= {t for (_, t, _), (came, went) in ways.items() if came > 2 * went and t not in multicast}
    return frozenset(a for a in own if not is_loopback(a))


def _groups(
    view: int, courses: Sequence[Course], hardware: Mapping[tuple[int, str], str]
) -> list[frozenset[str]]:
    """Addresses by link-layer address; of several only those that the machine did not just forward."""
    groups: dict[str, dict[str, int]] = defaultdict(dict)
    for c in courses:
        if not is_loopback(c.source):
            group = groups[hardware.get((view, c.source), c.source)]
            group[c.source] = max(WHOLE_TTL if c.multicast else c.ttl, group.get(c.source, 0))
    for c in courses:
        if not c.multicast and not is_loopback(c.destination):
            groups[hardware.get((view, c.destination), c.destination)].setdefault(c.destination, WHOLE_TTL)
    for (where, address), name in hardware.items():
        if where == view and name not in groups and not is_loopback(address):
            groups[name][address] = 0  # it speaks, although no RTPS
    found = []
    for addresses in groups.values():
        kept = frozenset(a for a, ttl in addresses.items() if ttl in WHOLE_TTLS)
        found.append((kept or frozenset(addresses)) - UNSPECIFIED)
    return [group for group in found if group]


def _in_every_unicast(courses: Sequence[Course], groups: list[frozenset[str]]) -> list[frozenset[str]]:
    total = sum(c.every.count for c in courses if not c.multicast)
    if not total:
        return groups
    found = []
    for group in groups:
        met = sum(
            c.every.count
            for c in courses
            if not c.multicast and (c.source in group or c.destination in group)
        )
        if met >= LEAST_SHARE * total:
            found.append(group)
    return found


def _eliminate(found: Sequence[Candidates]) -> None:
    """What belongs to another machine's view is not this one's; the last one left is.

    Two views may be left with the same one, where a switch let somebody else's datagrams pass by one of
    them: it belongs to the view that has many more of its datagrams, or to neither.
    """
    changed = True
    while changed:
        changed = False
        claims: list[tuple[Candidates, frozenset[str]]] = []
        for c in found:
            if c.own or not c.groups:
                continue
            taken = {a for o in found if _apart(c, o) for a in o.own}
            left = [g for g in c.groups if not g & taken]
            if len(left) == 1 and len(c.groups) > 1:
                claims.append((c, left[0]))
            else:
                c.groups = left
        for c, group in claims:
            rivals = [o for o, other in claims if o is not c and other & group and _apart(c, o)]
            if all(c.weight(group) > CLEARLY * o.weight(group) for o in rivals):
                c.own, changed = group, True


def _apart(one: Candidates, other: Candidates) -> bool:
    """Whether two views are of different machines, as far as their labels tell."""
    return one is not other and (one.machine is None or one.machine != other.machine)


def _by_lag(found: Sequence[Candidates], lag: Lag) -> None:
    """Of two views that share candidates, each owns those that the other sees latest after it."""
    for one in found:
        for other in found[one.view + 1 :]:
            if one.own or other.own or not _apart(one, other):
                continue
            shared = [g for g in one.groups if g in other.groups and _alike(one, other, g)]
            lags = sorted(
                ((late, sorted(g)) for g in shared if (late := _group_lag(g, one, other, lag)) is not None),
                reverse=True,
            )
            if len(lags) >= 2 and lags[0][0] > lags[-1][0]:
                one.own, other.own = frozenset(lags[0][1]), frozenset(lags[-1][1])


def _alike(one: Candidates, other: Candidates, group: frozenset[str]) -> bool:
    """Whether both views or neither have the group's unicast: an end of the link has all of it."""
    return bool(one.weight(group)) == bool(other.weight(group))


def _group_lag(group: frozenset[str], one: Candidates, other: Candidates, lag: Lag) -> float | None:
    lags = [late for address in group if (late := lag(one.view, other.view, address)) is not None]
    return min(lags) if lags else None
