"""Figures side by side: what was forecast and what was seen, or two sites; and how one is to the other."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from toprung.model.figures import Figures
from toprung.model.site import Site
from toprung.pictures import amounts
from toprung.pictures.amounts import Say, said

Part = Callable[[Figures], Mapping[Any, Any]]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A figure of one part of a site: how it is called, its key in the figures, how it is said."""

    name: str
    key: str
    say: Say
    both_kinds: bool = True  # whether forecast and observation mean the same by it
    window: str = ""  # where it is counted over a stretch of time, the key of that stretch

    def of(self, figures: Any) -> float | None:
        """Its value; None where that is not known."""
        return _at(figures, self.key)

    def spans_alike(self, one: Any, other: Any) -> bool:
        """Whether both were counted over stretches of time that can be compared."""
        spans = [span for figures in (one, other) if self.window and (span := _at(figures, self.window))]
        return len(spans) < 2 or max(spans) - min(spans) <= NEAR * max(spans)


def _at(figures: Any, key: str) -> float | None:
    value: Any = figures
    for step in key.split("."):
        value = getattr(value, step, None)
    return None if value is None else float(value)


_WINDOW = "discovery.window_s"
NEAR = 0.1  # how far two stretches of time may differ to be compared, of the longer one
QUANTITIES: dict[str, tuple[Part, tuple[Quantity, ...]]] = {
    "machine": (
        lambda f: f.machines,
        (
            Quantity("participants known", "known_participants", amounts.count),
            Quantity("endpoints known", "known_endpoints", amounts.count),
            Quantity(
                "discovery datagrams in, from power-on",
                "discovery.datagrams_in",
                amounts.count,
                window=_WINDOW,
            ),
            Quantity("discovery datagrams out", "discovery.datagrams_out", amounts.count, window=_WINDOW),
            Quantity("discovery bytes in", "discovery.bytes_in", amounts.octets, window=_WINDOW),
            Quantity("discovery bytes out", "discovery.bytes_out", amounts.octets, window=_WINDOW),
            Quantity("datagrams in the fullest second", "discovery.peak_datagrams_in_per_s", amounts.per_s),
            Quantity("datagrams in, steadily", "discovery.steady_datagrams_in_per_s", amounts.per_s),
            Quantity("bytes in, steadily", "discovery.steady_bytes_in_per_s", amounts.octets_per_s),
            Quantity("introduced after (median)", "introduced_p50_s", amounts.seconds, False),
            Quantity("introduced after (95 %)", "introduced_p95_s", amounts.seconds, False),
            Quantity("of its budget", "budget_use", amounts.share),
        ),
    ),
    "link": (
        lambda f: f.links,
        (
            Quantity("UDP payload", "bytes_per_s", amounts.octets_per_s),
            Quantity("air time", "air_time", amounts.share),
            Quantity("busy", "busy", amounts.share),
            Quantity("loss", "loss", amounts.share),
            Quantity("delay", "delay_s", amounts.seconds),
        ),
    ),
    "flow": (
        lambda f: f.flows,
        (
            Quantity("rate", "rate_hz", amounts.hertz),
            Quantity("loss of samples", "loss", amounts.share),
            Quantity("age, typical", "age_typical_s", amounts.seconds),
            Quantity("age, worst", "age_worst_s", amounts.seconds),
            Quantity("introduced after", "introduced_after_s", amounts.seconds),
        ),
    ),
    "loop": (
        lambda f: f.loops,
        (
            Quantity("data age, typical", "age_typical_s", amounts.seconds),
            Quantity("data age, worst", "age_worst_s", amounts.seconds),
            Quantity("reaction", "reaction_s", amounts.seconds),
            Quantity("safe speed", "safe_speed_m_per_s", amounts.metres_per_s),
            Quantity("stopping distance", "stopping_distance_m", amounts.metres),
            Quantity("way after commands are lost", "watchdog_distance_m", amounts.metres),
        ),
    ),
    "battery": (
        lambda f: f.power,
        (
            Quantity("load", "power_w", amounts.watts),
            Quantity("run time", "run_time_s", amounts.seconds),
            Quantity("charging", "charge_time_s", amounts.seconds),
            Quantity("in the dock", "dock_share", amounts.share),
            Quantity("way home", "home_time_s", amounts.seconds),
            Quantity("energy home", "home_wh", amounts.watt_hours),
        ),
    ),
}


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity of one part, told twice.  `ratio` is the other by the one; None where it has none."""

    part: str  # a key of QUANTITIES
    name: str
    quantity: Quantity
    one: float | None
    other: float | None

    @property
    def ratio(self) -> float | None:
        return self.other / self.one if self.one and self.other is not None else None

    @property
    def words(self) -> tuple[str, str, str]:
        """The one, the other, and their ratio."""
        say = self.quantity.say
        return said(self.one, say), said(self.other, say), said(self.ratio, _times)


def _times(ratio: float) -> str:
    if 0 < ratio < 0.01:
        return "<0.01"
    return f"{ratio:.2f}" if ratio < 100 else f"{ratio:,.0f}"


def compare(one: Figures, other: Figures) -> tuple[Row, ...]:
    """Every quantity that forecast and observation both have, part by part in the order of the first."""
    return tuple(
        row
        for row in _rows(one, other)
        if row.one is not None and row.other is not None and row.quantity.both_kinds
    )


def changes(one: Figures, other: Figures) -> tuple[Row, ...]:
    """Every quantity that differs between two forecasts, also where only one of them has it."""
    return tuple(row for row in _rows(one, other) if row.words[0] != row.words[1])


def _rows(one: Figures, other: Figures) -> Iterator[Row]:
    for part, (names, quantities) in QUANTITIES.items():
        mine, theirs = names(one), names(other)
        for name in dict.fromkeys((*mine, *theirs)):
            sides = mine.get(name), theirs.get(name)
            for quantity in quantities:
                if quantity.spans_alike(*sides):
                    yield Row(part, str(name), quantity, *map(quantity.of, sides))


def comparison_rows(site: Site, sources: Mapping[str, Figures]) -> tuple[tuple[str, ...], ...]:
    """A table of two sources of figures, its heading first; empty where they have nothing in common."""
    (first, one), (second, other) = sources.items()
    rows = [(f"{r.part} {r.name}: {r.quantity.name}", *r.words) for r in compare(one, other)]
    return (("", first, second, "ratio"), *rows) if rows else ()
