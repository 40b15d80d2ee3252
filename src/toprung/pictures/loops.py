"""A loop drawn and in words: where its reaction goes, and how fast the vehicle may drive with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from toprung.forecast.motion import CAUTION, safe_speed
from toprung.forecast.result import Forecast
from toprung.model.figures import Figures, LoopFigures
from toprung.model.site import Loop, Site, Vehicle
from toprung.pictures.amounts import metres, metres_per_s, seconds
from toprung.pictures.charts import Step, safe_speeds, steps
from toprung.pictures.sets import Chart

CURVE_POINTS = 60
_QUANTITIES = (
    ("age of what it acts upon, at worst", "age_worst_s", seconds),
    ("age of what it acts upon, typically", "age_typical_s", seconds),
    ("reaction, at worst", "reaction_s", seconds),
    ("greatest safe speed", "safe_speed_m_per_s", metres_per_s),
    ("stopping distance at top speed", "stopping_distance_m", metres),
    ("distance after the last command, at top speed", "watchdog_distance_m", metres),
)


@dataclass(frozen=True, slots=True)
class LoopEntry:
    """A loop with its figures, a heading and then a row for each quantity, and its charts."""

    name: str
    through: tuple[str, ...]
    table: tuple[tuple[str, ...], ...]
    charts: tuple[Chart, ...]


def caution() -> str:
    """What every speed and distance comes with."""
    return CAUTION


def loop_entries(site: Site, forecast: Forecast | None, sources: Mapping[str, Figures]) -> list[LoopEntry]:
    """Every declared loop, in the site's order."""
    vehicles = {vehicle.name: vehicle for vehicle in site.vehicles}
    return [
        LoopEntry(
            loop.name,
            loop.through,
            _table(loop, sources),
            tuple(_charts(loop, vehicles.get(loop.vehicle or ""), forecast, sources)),
        )
        for loop in site.loops
    ]


def _table(loop: Loop, sources: Mapping[str, Figures]) -> tuple[tuple[str, ...], ...]:
    """What is known of a quantity from at least one source."""
    known = {words: given.loops.get(loop.name, LoopFigures()) for words, given in sources.items()}
    rows = []
    for words, key, say in _QUANTITIES:
        values = [getattr(figures, key) for figures in known.values()]
        if any(value is not None for value in values):
            rows.append((words, *("" if value is None else say(value) for value in values)))
    return (("", *known), *rows)


def _charts(
    loop: Loop, vehicle: Vehicle | None, forecast: Forecast | None, sources: Mapping[str, Figures]
) -> Iterator[Chart]:
    terms = () if forecast is None else forecast.terms.get(loop.name, ())
    if terms:
        table = tuple((t.says, seconds(t.typical_s), seconds(t.worst_s)) for t in terms)
        spec = steps([Step(t.says, t.typical_s, t.worst_s) for t in terms])
        heading = ("step", "typical", "worst")
        yield Chart(f"steps-{loop.name}", "Where the reaction goes, as forecast", spec, (heading, *table))
    reactions = {
        words: given.loops[loop.name].reaction_s
        for words, given in sources.items()
        if loop.name in given.loops
    }
    known = {words: reaction for words, reaction in reactions.items() if reaction is not None}
    curve = _curve(loop, vehicle, max(known.values(), default=0.0))
    if curve and known:
        reaction_s = list(known.values())[-1]
        top = None if vehicle is None else vehicle.top_speed_m_per_s
        rows = tuple((seconds(t), metres_per_s(v)) for t, v in curve[::6])
        spec = safe_speeds(curve, reaction_s, top)
        heads = ("reaction", "greatest safe speed")
        yield Chart(f"speed-{loop.name}", "How fast the vehicle may drive", spec, (heads, *rows))


def _curve(loop: Loop, vehicle: Vehicle | None, reaction_s: float) -> list[tuple[float, float]]:
    """The greatest safe speed for reactions from none to twice the loop's own."""
    if vehicle is None or vehicle.braking_m_per_s2 is None or loop.sense is None or not reaction_s:
        return []
    sensed, braking, margin = loop.sense.range_m, vehicle.braking_m_per_s2, vehicle.margin_m or 0.0
    if sensed is None:
        return []
    times = [2 * reaction_s * place / (CURVE_POINTS - 1) for place in range(CURVE_POINTS)]
    return [(t, safe_speed(sensed, t, braking, margin)) for t in times]
