"""The view of the ladder: every flow, as forecast and as captured, and why it broke."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from toprung.model.finding import Finding
from toprung.model.ladder import Climb, Flow
from toprung.model.site import Site
from toprung.pictures.ladder_svg import ladder_svg
from toprung.web.bench import Bench
from toprung.web.page import Page

SHOWN = 60  # flows at a time


@dataclass(frozen=True, slots=True)
class Row:
    """A flow with its climbs; `place` is its number among all flows."""

    place: int
    flow: Flow
    planned: Climb | None
    seen: Climb | None

    @property
    def shown(self) -> Climb:
        """What was captured, where there is a capture."""
        found = self.seen or self.planned
        assert found is not None, "a row has one of the two"
        return found

    @property
    def differs(self) -> bool:
        both = self.planned, self.seen
        return None not in both and self.planned.broken_at != self.seen.broken_at  # type: ignore[union-attr]


@dataclass(frozen=True, slots=True)
class Filter:
    """Which flows are wanted; empty is all."""

    machine: str = ""
    robot: str = ""
    rung: str = ""  # a rung's name: broken there; "sound"; "differs"
    words: str = ""

    def wants(self, row: Row, machines: frozenset[str], robot: frozenset[str]) -> bool:
        broken = row.shown.broken_at
        fits = {"": True, "sound": broken is None, "broken": broken is not None, "differs": row.differs}
        return (
            (not self.machine or self.machine in machines)
            and (not self.robot or bool(machines & robot))
            and fits.get(self.rung, str(broken) == self.rung)
            and self.words.lower() in str(row.flow).lower()
        )


def router(page: Page) -> APIRouter:
    routes, bench = APIRouter(), page.bench

    @routes.get("/ladder")
    def ladder(
        machine: str = "", robot: str = "", rung: str = "", words: str = "", start: int = 0, flow: int = -1
    ) -> HTMLResponse:
        wanted = Filter(machine, robot, rung, words)
        every = rows_of(bench)
        rows = list(_filtered(every, wanted, bench.site))
        start = min(max(0, start), max(0, len(rows) - 1)) // SHOWN * SHOWN
        chosen = every[flow] if 0 <= flow < len(every) else None
        return page.view(
            "ladder",
            every=every,
            rows=rows,
            shown=rows[start : start + SHOWN],
            start=start,
            step=SHOWN,
            wanted=wanted,
            robots=_robots(bench.site),
            drawing=_drawing(rows[start : start + SHOWN], wanted, start),
            chosen=chosen,
            findings=findings_of(bench, chosen) if chosen else (),
            query=lambda start: "?" + urlencode(_asked(wanted) | {"start": start}),
        )

    return routes


def rows_of(bench: Bench) -> list[Row]:
    """Every flow that the forecast or the captures know, in the site's order."""
    forecast, observed = bench.forecast(), bench.observed
    planned = {} if forecast is None else {c.flow: c for c in forecast.ladder.climbs}
    seen = {} if observed is None else {c.flow: c for c in observed.ladder.climbs}
    flows = list(dict.fromkeys([*planned, *seen]))
    return [Row(place, flow, planned.get(flow), seen.get(flow)) for place, flow in enumerate(flows)]


def findings_of(bench: Bench, row: Row) -> tuple[tuple[str, Finding], ...]:
    """What explains a flow's first broken rung, as captured and as forecast."""
    found = []
    for words, climb, source in (
        ("as captured", row.seen, bench.observed),
        ("as forecast", row.planned, bench.forecast()),
    ):
        if climb is not None and source is not None:
            found += [(words, source.findings[index]) for index in climb.findings]
    return tuple(found)


def _filtered(rows: Sequence[Row], wanted: Filter, site: Site | None) -> Iterator[Row]:
    homes = {} if site is None else {p.name: p.machine for p in site.participants}
    robot = next((machines for name, machines in _robots(site) if name == wanted.robot), frozenset())
    for row in rows:
        ends = frozenset({homes.get(row.flow.writer, ""), homes.get(row.flow.reader, "")})
        if wanted.wants(row, ends, robot):
            yield row


def _robots(site: Site | None) -> tuple[tuple[str, frozenset[str]], ...]:
    """The copies of each fleet, by a name and their machines."""
    fleets = () if site is None else site.fleets
    return tuple(
        (f"{fleet.name} {number}", frozenset(copy))
        for fleet in fleets
        for number, copy in enumerate(fleet.copies, 1)
        if len(fleet.copies) > 1
    )


def _asked(wanted: Filter) -> dict[str, str | int]:
    pairs = (
        ("machine", wanted.machine),
        ("robot", wanted.robot),
        ("rung", wanted.rung),
        ("words", wanted.words),
    )
    return {key: value for key, value in pairs if value}


def _drawing(rows: Sequence[Row], wanted: Filter, start: int) -> str:
    if not rows:
        return ""
    places = {row.flow: row.place for row in rows}

    def href(flow: Flow) -> str:
        return "/ladder?" + urlencode(_asked(wanted) | {"start": start, "flow": places[flow]}) + "#chosen"

    planned = {row.flow: row.planned for row in rows if row.planned is not None and row.seen is not None}
    return ladder_svg([row.shown for row in rows], planned, href)
