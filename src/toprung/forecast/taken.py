"""What a forecast takes for granted because the site does not say it, and what it cannot tell therefore."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from re import compile as compile_pattern

from toprung.forecast.profile import MEASURED, UNSAID, profile_of
from toprung.forecast.rungs.basis import Basis
from toprung.model.site import Middleware, Participant

MOST_NAMED = 6  # in one line; more are counted
_NUMBER = compile_pattern(r"\d+")


def assumptions(basis: Basis) -> Iterator[str]:
    """One sentence each, the most far-reaching first."""
    participants = basis.site.participants
    yield from _of("discovery by multicast", (p for p in participants if p.discovery is None))
    yield from _of(
        f"run by {profile_of(UNSAID).library}", (p for p in participants if p.middleware not in MEASURED)
    )
    kinds = {p.middleware if p.middleware in MEASURED else UNSAID for p in participants}
    profiles = [profile_of(kind) for kind in Middleware if kind in kinds]
    if profiles:
        told = " and ".join(f"{p.library} ({p.measured})" for p in profiles)
        yield f"libraries behave as was measured of {told}"
    for link in basis.reach.assumed:
        yield f"{named(map(str, link.joins))} of {link.name} are joined, without loss or delay"
    for name, traffic in basis.traffic.links.items():
        for line in traffic.assumptions:
            yield f"{name}: {line}"
    if basis.cases:
        yield from basis.traffic.assumptions


def _of(what: str, participants: Iterable[Participant]) -> Iterator[str]:
    names = [p.name for p in participants]
    if names:
        yield f"{what}: {named(names)}"


def unseen(basis: Basis) -> Iterator[str]:
    """Why rungs or figures are not known, and what the site would have to say."""
    apart = {end.machine for case in basis.cases if not case.one_machine for end in case.ends}
    lonely = [m.name for m in basis.site.machines if m.name not in basis.placed and m.name in apart]
    if lonely:
        yield f"how {named(lonely)} reach others: no link joins them (`links`)"
    unrated = [x.name for x in basis.site.links if basis.traffic.links[x.name].busy is None]
    if unrated:
        yield f"how full {named(unrated)} will be, and how late samples get there: no `rate`"
    lossless = [x.name for x in basis.site.links if x.loss is None]
    if lossless:
        yield f"losses on {named(lossless)}: none is taken, as no `loss` is declared"
    if basis.traffic.unknown:
        yield f"what {named(basis.traffic.unknown)} adds to the links: no `size`, or no `rate`"


def named(names: Iterable[str]) -> str:
    """Names in a row, as many as a line bears; those that differ in their numbers only are counted."""
    alike: dict[str, list[str]] = {}
    for name in names:
        alike.setdefault(_NUMBER.sub("#", name), []).append(name)
    listed = [f"{group[0]} ({len(group)} alike)" if len(group) > 1 else group[0] for group in alike.values()]
    more = f" and {len(listed) - MOST_NAMED} more" if len(listed) > MOST_NAMED else ""
    return ", ".join(listed[:MOST_NAMED]) + more


def more_keys(missing: Iterable[str]) -> Iterator[str]:
    """Keys of the site file that would tell more, in one sentence."""
    keys = list(dict.fromkeys(missing))
    if keys:
        yield f"more could be told with {named(keys)}"
