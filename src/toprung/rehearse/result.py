"""What a rehearsal came to: the ladder as captured and as forecast, the peers' own counts, faults named."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum

from toprung.diagnose.observed import Observed
from toprung.forecast.result import Forecast
from toprung.model.ladder import Flow
from toprung.model.site import Link, LinkKind, Site
from toprung.rehearse.faults import Fault
from toprung.rehearse.peers import Counts, nothing_counted


class Verdict(StrEnum):
    """Whether the diagnosis told what was done."""

    NAMED = "named"
    UNSEEN = "unseen"  # nothing was found where the fault is
    OTHERWISE = "otherwise"  # another cause was


@dataclass(frozen=True, slots=True)
class Counted:
    """Samples that writer and reader counted themselves.  A reader of several writers counts them all."""

    flow: Flow
    sent: int
    received: int


@dataclass(frozen=True, slots=True)
class Carried:
    """What a link did with frames, each receiver counted.  `ruled`: dropped by a fault's rule.  `busy`: share
    of the time in which a Wi-Fi link's air was taken.
    """

    link: str
    arrived: int
    lost: int
    full: int
    ruled: int
    busy: float | None


@dataclass(frozen=True, slots=True)
class Judged:
    """A fault that was asked for, the causes that are right, and those found at its flows."""

    words: str
    verdict: Verdict
    causes: tuple[str, ...]
    found: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Rehearsed:
    observed: Observed
    forecast: Forecast
    counted: tuple[Counted, ...]
    carried: tuple[Carried, ...]
    judged: tuple[Judged, ...]


def counted(site: Site, counts: Mapping[str, Counts]) -> tuple[Counted, ...]:
    """Per declared flow.  counts: by participant, see `Rehearsal.counts`."""
    return tuple(_counted(site, counts))


def _counted(site: Site, counts: Mapping[str, Counts]) -> Iterator[Counted]:
    nothing = nothing_counted()
    for flow in site.flows():
        sent = counts.get(flow.writer, nothing)["sent"].get(flow.wire_topic, 0)
        received = counts.get(flow.reader, nothing)["received"].get(flow.wire_topic, 0)
        yield Counted(flow.flow, sent, received)


def carried(site: Site, tallies: Mapping[str, Mapping[str, float]], ran_s: float) -> tuple[Carried, ...]:
    """Per declared link.  tallies: see `Rehearsal.links`."""
    return tuple(_carried(link, tallies[link.name], ran_s) for link in site.links if link.name in tallies)


def _carried(link: Link, tally: Mapping[str, float], ran_s: float) -> Carried:
    arrived, lost, full, ruled = (int(tally[kind]) for kind in ("arrived", "lost", "full", "ruled"))
    air = link.kind is LinkKind.WIFI and ran_s > 0
    return Carried(link.name, arrived, lost, full, ruled, tally["busy_s"] / ran_s if air else None)


def judged(faults: Iterable[Fault], observed: Observed) -> tuple[Judged, ...]:
    """Whether the diagnosis named each fault at the flows that it breaks or may break."""
    return tuple(_judged(fault, observed) for fault in faults)


def _judged(fault: Fault, observed: Observed) -> Judged:
    truth = fault.expects()
    concerned = {*truth.broken, *truth.touched}
    climbs = [c for c in observed.ladder.climbs if c.flow in concerned]
    numbers = {number for climb in climbs for number in climb.findings}
    codes = {observed.findings[n].code for n in numbers} | {c.cause for c in climbs if c.cause}
    codes |= {f.code for f in observed.findings if f.code in truth.causes}  # of a machine or link
    found = tuple(sorted(codes))
    verdict = Verdict.OTHERWISE if found else Verdict.UNSEEN
    if codes & set(truth.causes):
        verdict = Verdict.NAMED
    return Judged(fault.words, verdict, truth.causes, found)
