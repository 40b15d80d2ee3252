"""The charts of a site: which there are, from a forecast and a capture of it side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from toprung.diagnose.observed import Observed
from toprung.forecast.result import Forecast
from toprung.model.figures import Figures, LinkFigures, MachineFigures
from toprung.model.site import Budget, Site
from toprung.pictures.charts import CAPTURED, FORECAST, Bar, Span, Spec, ages, bars
from toprung.pictures.figures import figures_of

MOST_ROWS = 40  # of one chart; the fullest come first

_MACHINE_CHARTS: tuple[
    tuple[str, str, str, Callable[[MachineFigures], float | None], Callable[[Budget], float | None]], ...
] = (
    (
        "peak",
        "Discovery in its fullest second",
        "datagrams/s that arrive",
        lambda m: None if m.discovery is None else m.discovery.peak_datagrams_in_per_s,
        lambda budget: budget.messages_hz,
    ),
    (
        "rush",
        "Discovery from power-on",
        "datagrams that arrive in the first 15 s",
        lambda m: None if m.discovery is None else m.discovery.datagrams_in,
        lambda budget: None,
    ),
    (
        "participants",
        "Participants that each machine must know",
        "participants",
        lambda m: m.known_participants,
        lambda budget: budget.participants,
    ),
    (
        "endpoints",
        "Endpoints that each machine must know",
        "endpoints",
        lambda m: m.known_endpoints,
        lambda budget: budget.endpoints,
    ),
)
_LINK_CHARTS: tuple[tuple[str, str, str, Callable[[LinkFigures], float | None]], ...] = (
    ("busy", "How busy each link is", "share of the time", lambda x: x.busy),
    (
        "bytes",
        "What each link carries",
        "UDP payload, kB/s",
        lambda x: None if x.bytes_per_s is None else x.bytes_per_s / 1e3,
    ),
)


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart with its words: what it shows, and the same in figures."""

    key: str
    title: str
    spec: Spec
    table: tuple[tuple[str, ...], ...]  # the first row is its heading


Sources = Mapping[str, Figures]  # FORECAST, CAPTURED: those that there are


def sources_of(forecast: Forecast | None, observed: Observed | None) -> dict[str, Figures]:
    """The figures of a forecast and of a reading, as far as there are such."""
    found = {} if forecast is None else {FORECAST: forecast.figures}
    return found if observed is None else found | {CAPTURED: figures_of(observed)}


def load_charts(site: Site, sources: Sources) -> Iterator[Chart]:
    """Discovery at each machine against its budget, and what the links carry."""
    for key, title, axis, value, limit in _MACHINE_CHARTS:
        limits = {m.name: limit(m.budget) for m in site.machines if m.budget is not None}
        rows = [
            Bar(name, source, amount, limits.get(name))
            for source, figures in sources.items()
            for name, machine in figures.machines.items()
            if (amount := value(machine)) is not None
        ]
        yield from _bar_chart(key, title, axis, rows, [m.name for m in site.machines])
    for key, title, axis, part in _LINK_CHARTS:
        rows = [
            Bar(name, source, amount)
            for source, figures in sources.items()
            for name, link in figures.links.items()
            if (amount := part(link)) is not None
        ]
        yield from _bar_chart(key, title, axis, rows, [x.name for x in site.links])


def age_chart(site: Site, sources: Sources) -> Iterator[Chart]:
    """How old each flow's samples are on arrival, against what it allows."""
    within = {f.flow: f.within_ns for f in site.flows()}
    rows = [
        Span(str(flow), source, figures.age_typical_s, figures.age_worst_s, _seconds(within.get(flow)))
        for source, given in sources.items()
        for flow, figures in given.flows.items()
        if figures.age_typical_s is not None and figures.age_worst_s is not None
    ]
    kept = _fullest(((row.name, row.worst_s / (row.within_s or 1.0)) for row in rows), MOST_ROWS)
    shown = sorted((r for r in rows if r.name in kept), key=lambda r: kept.index(r.name))
    if shown:
        table = tuple(
            (r.name, r.source, f"{1e3 * r.typical_s:.3g} ms", f"{1e3 * r.worst_s:.3g} ms", _allowed(r))
            for r in shown
        )
        heading = ("flow", "", "typical", "worst", "allowed")
        yield Chart("ages", "How old samples are when they arrive", ages(shown), (heading, *table))


def _allowed(row: Span) -> str:
    return "" if row.within_s is None else f"{1e3 * row.within_s:.3g} ms"


def _seconds(nanoseconds: int | None) -> float | None:
    return None if nanoseconds is None else nanoseconds / 1e9


def _bar_chart(key: str, title: str, axis: str, rows: list[Bar], order: list[str]) -> Iterator[Chart]:
    if not any(row.amount for row in rows):
        return
    kept = _fullest(((row.name, row.amount / (row.limit or 1.0)) for row in rows), MOST_ROWS)
    shown = sorted((r for r in rows if r.name in kept), key=lambda r: order.index(r.name))
    heading = ("", "", axis, "limit")
    table = tuple((r.name, r.source, f"{r.amount:,.4g}", f"{r.limit:,.4g}" if r.limit else "") for r in shown)
    yield Chart(key, title, bars(shown, axis), (heading, *table))


def _fullest(pairs: Iterator[tuple[str, float]], most: int) -> list[str]:
    """Names by their greatest share, fullest first."""
    best: dict[str, float] = {}
    for name, share in pairs:
        best[name] = max(share, best.get(name, 0.0))
    return sorted(best, key=lambda name: -best[name])[:most]
