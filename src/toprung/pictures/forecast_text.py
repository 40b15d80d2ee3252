"""A forecast as text: the ladder, what it means for machines, links, samples, loops and batteries."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import inf, isfinite
from textwrap import wrap

from toprung.forecast.motion import CAUTION
from toprung.forecast.result import Forecast, Term
from toprung.model.figures import FlowFigures, LinkFigures, LoopFigures, MachineFigures, PowerFigures
from toprung.model.ladder import Flow
from toprung.model.site import Loop, Vehicle
from toprung.model.units import shortened
from toprung.pictures import amounts
from toprung.pictures.amounts import Say, said
from toprung.pictures.summary import forecast_heading, verdict
from toprung.pictures.text import (
    WIDTH,
    Style,
    alike,
    findings,
    finished,
    folded,
    ladder,
    table,
    titled,
    unnumbered,
    wrapped,
)

MOST_TAKEN = 24  # assumptions listed
BAR = 34  # columns of a loop's waterfall
_HOME = {None: "", True: "comes home", False: "does not come home"}
BARS = {True: ("█", "░"), False: ("#", "-")}


def forecast_text(forecast: Forecast, style: Style | None = None, short: bool = False) -> str:
    """The whole forecast, or the ladder and its findings alone; ends with a newline."""
    style = style or Style()
    blocks = (
        wrapped(forecast_heading(forecast)),
        ladder(alike(forecast.ladder.climbs, style), style),
        findings(forecast, style),
        *(() if short else _parts(forecast, style)),
        wrapped(verdict(forecast)),
    )
    return finished(blocks, style)


def _parts(forecast: Forecast, style: Style) -> Iterator[Iterable[str]]:
    yield _machines(forecast)
    yield _links(forecast)
    yield _samples(forecast)
    yield from _loops(forecast, style)
    yield wrapped(f"Caution: {CAUTION}") if _moves(forecast) else ()
    yield _batteries(forecast)
    yield titled("Taken, because the site does not say it", forecast.assumptions, MOST_TAKEN)
    yield titled("Not to be told from this site", forecast.unseen)


def _machines(forecast: Forecast) -> Iterator[str]:
    told = [(name, m) for name, m in forecast.machines.items() if m != MachineFigures()]
    told.sort(key=lambda pair: -(pair[1].budget_use or 0.0))
    head = ("Machines", "participants", "endpoints", "in 15 s", "bytes", "peak", "steady")
    yield from table((*head, "introduced", "of budget"), folded(_machine(name, m) for name, m in told))


def _machine(name: str, m: MachineFigures) -> tuple[str, ...]:
    def rush(key: str, say: Say) -> str:
        return said(getattr(m.discovery, key, None), say)

    return (
        name,
        said(m.known_participants, amounts.count),
        said(m.known_endpoints, amounts.count),
        rush("datagrams_in", amounts.count),
        rush("bytes_in", amounts.octets),
        rush("peak_datagrams_in_per_s", amounts.per_s),
        rush("steady_datagrams_in_per_s", amounts.per_s),
        said(m.introduced_p50_s, amounts.seconds),
        "" if m.budget_use is None else f"{m.budget_use:.0%} ({m.limit})",
    )


def _links(forecast: Forecast) -> Iterator[str]:
    kinds = {x.name: x.kind for x in forecast.site.links}
    told = [(name, x) for name, x in forecast.links.items() if x != LinkFigures()]
    told.sort(key=lambda pair: -(pair[1].busy or 0.0))
    rows = [
        (
            f"{name} ({kinds[name]})" if name in kinds else name,
            said(x.bytes_per_s, amounts.octets_per_s),
            said(x.air_time, amounts.share),
            said(x.busy, amounts.share),
            said(None if x.busy is None else max(0.0, 1 - x.busy), amounts.share),
            said(x.loss, amounts.share),
            said(x.delay_s, amounts.seconds),
        )
        for name, x in told
    ]
    yield from table(("Links", "payload", "air time", "busy", "headroom", "loss", "delay"), folded(rows))


def _samples(forecast: Forecast) -> Iterator[str]:
    """Ages on arrival; the flows with least room come first."""
    within = {f.flow: f.within_ns / 1e9 for f in forecast.site.flows() if f.within_ns is not None}
    told = [(flow, f) for flow, f in forecast.flows.items() if f.age_worst_s is not None]
    told.sort(key=lambda pair: -(pair[1].age_worst_s or 0.0) / within.get(pair[0], inf))
    rows = [_sample(flow, f, within.get(flow)) for flow, f in told]
    yield from table(("Samples on arrival", "typical", "worst", "allowed", "lost"), folded(rows))


def _sample(flow: Flow, f: FlowFigures, within_s: float | None) -> tuple[str, ...]:
    ages = (f.age_typical_s, f.age_worst_s, within_s)
    return (str(flow), *(said(age, amounts.seconds) for age in ages), said(f.loss, amounts.share))


def _loops(forecast: Forecast, style: Style) -> Iterator[list[str]]:
    """Every loop of which anything is known; those of a fleet's copies that come to the same, once."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for loop in forecast.site.loops:
        lines = list(_loop(forecast, loop, style))
        if lines:
            groups.setdefault(tuple(map(unnumbered, lines)), []).append(loop.name)
    loops = {loop.name: loop for loop in forecast.site.loops}
    for names in groups.values():
        lines = list(_loop(forecast, loops[names[0]], style))
        more = f" (and {len(names) - 1} alike)" if len(names) > 1 else ""
        yield [lines[0] + more, *lines[1:]]


def _loop(forecast: Forecast, loop: Loop, style: Style) -> Iterator[str]:
    figures = forecast.loops.get(loop.name, LoopFigures())
    terms = forecast.terms.get(loop.name, ())
    if figures == LoopFigures() and not terms:
        return
    arrow = " → " if style.wide else " -> "
    yield shortened(f"Loop {loop.name}: {arrow.join(loop.through)}", WIDTH - 20)
    yield from _waterfall(terms, style)
    vehicle = next((v for v in forecast.site.vehicles if v.name == loop.vehicle), None)
    for line in (*_loop_words(loop, figures, vehicle), *forecast.remarks.get(loop.name, ())):
        yield from wrap(line, WIDTH, initial_indent="  ", subsequent_indent="    ")


def _waterfall(terms: tuple[Term, ...], style: Style) -> Iterator[str]:
    """Each step where it begins, as long as it lasts: typical solid, worst pale.  One without bound has no
    bar, and what follows it begins where it began.
    """
    whole = sum(term.worst_s for term in terms if isfinite(term.worst_s))
    if not terms:
        return
    solid, pale = BARS[style.wide]
    name = min(max(len(term.says) for term in terms), WIDTH - BAR - 26)
    begun = 0.0
    yield f"  {'':<{name}}  {'typical':>8}  {'worst':>9}"
    for term in terms:
        lasts = term.worst_s if isfinite(term.worst_s) else 0.0
        marks = (begun, begun + min(term.typical_s, lasts), begun + lasts)
        start, full, end = (round(BAR * mark / whole) if whole else 0 for mark in marks)
        bar = " " * start + solid * (full - start) + pale * (end - full)
        figures = f"{_bounded(term.typical_s):>8}  {_bounded(term.worst_s):>9}"
        yield f"  {shortened(term.says, name):<{name}}  {figures}  {bar}".rstrip()
        begun += lasts


def _bounded(value: float) -> str:
    return amounts.seconds(value) if isfinite(value) else "unbounded"


def _loop_words(loop: Loop, f: LoopFigures, vehicle: Vehicle | None) -> Iterator[str]:
    if f.reaction_s is not None:
        old = said(
            f.age_worst_s, lambda s: f"; the newest command rests on data up to {amounts.seconds(s)} old"
        )
        yield f"reacts within {amounts.seconds(f.reaction_s)}{old}"
    if f.safe_speed_m_per_s is not None and loop.sense is not None:
        top = vehicle.top_speed_m_per_s if vehicle else None
        limit = said(top, lambda v: f" (top speed {amounts.metres_per_s(v)})")
        sight = said(loop.sense.range_m, lambda m: f" {amounts.metres(m)} away")
        speed = amounts.metres_per_s(f.safe_speed_m_per_s)
        yield f"safe up to {speed}{limit}: it rests short of what it senses{sight}"
    if f.stopping_distance_m is not None:
        yield f"needs {amounts.metres(f.stopping_distance_m)} to stop from its top speed"
    if f.watchdog_distance_m is not None:
        yield f"rolls {amounts.metres(f.watchdog_distance_m)} after commands are lost"


def _moves(forecast: Forecast) -> bool:
    """Whether anything is said of a vehicle's way."""
    return any(
        value is not None
        for x in forecast.loops.values()
        for value in (x.safe_speed_m_per_s, x.stopping_distance_m, x.watchdog_distance_m)
    )


def _batteries(forecast: Forecast) -> Iterator[str]:
    rows = [
        (
            name,
            said(p.power_w, amounts.watts),
            said(p.run_time_s, amounts.seconds),
            said(p.charge_time_s, amounts.seconds),
            said(p.dock_share, amounts.share),
            said(p.home_time_s, amounts.seconds),
            said(p.home_wh, amounts.watt_hours),
            _HOME[p.home_covered],
        )
        for name, p in forecast.power.items()
        if p != PowerFigures()
    ]
    head = ("Batteries", "load", "to the reserve", "charging", "in the dock", "way home", "takes")
    yield from table((*head, "on its reserve"), rows)
