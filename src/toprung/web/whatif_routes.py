"""The what-if view: knobs turned on one side, what becomes of the site on the other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import inf, log
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from toprung.forecast.result import Forecast
from toprung.model.finding import Severity
from toprung.model.ladder import RUNGS, Climb, Flow, Rung
from toprung.model.site_file import load_site
from toprung.model.site_text import site_text
from toprung.pictures.comparison import Row, changes
from toprung.pictures.ladder_svg import ladder_svg
from toprung.pictures.loops import caution
from toprung.web.knobs import changes_of, knobs_of
from toprung.web.page import Page, form_of

DRAWN = 30  # flows in the drawing; changed ones first
SHOWN_FLOWS = 8
SHOWN_PARTS = 3
WEIGHTY = frozenset(
    {
        "participants known",
        "datagrams in the fullest second",
        "introduced after (95 %)",
        "of its budget",
        "busy",
        "loss of samples",
        "age, worst",
        "reaction",
        "safe speed",
        "stopping distance",
        "run time",
    }
)
MORE_IS_BETTER = frozenset({"safe speed", "run time"})


@dataclass(frozen=True, slots=True)
class Effect:
    """A figure before and after; `better`: None where neither is."""

    subject: str
    what: str
    before: str
    after: str
    better: bool | None


def router(page: Page) -> APIRouter:
    routes, bench = APIRouter(), page.bench

    @routes.get("/whatif")
    def whatif(topic: str = "") -> HTMLResponse:
        return page.view("whatif", caution=caution(), **_context(page, {"topic": topic}))

    @routes.post("/whatif")
    async def turn(request: Request) -> HTMLResponse:
        return page.part("effects.html", **_context(page, dict(await form_of(request))))

    @routes.post("/whatif/site")
    async def take(request: Request) -> HTMLResponse:
        """Put the changed site in the old one's place; fleets are written out in it."""
        turned = dict(await form_of(request))
        made = () if bench.site is None else changes_of(bench.site, turned)
        bench.put_site(site_text(load_site(bench.text, bench.file_name, made)))
        return page.view("whatif", caution=caution(), **_context(page, {}))

    return routes


def _context(page: Page, turned: dict[str, str]) -> dict[str, Any]:
    bench = page.bench
    if bench.site is None:
        return {"knobs": (), "topics": (), "turned": {}, "effects": (), "drawing": "", "changes": ()}
    made = changes_of(bench.site, turned)
    before, after = bench.forecast(), bench.forecast(made)
    assert before is not None, "a site has a forecast"
    assert after is not None, "a site has a forecast"
    was = {c.flow: c for c in before.ladder.climbs}
    changed: list[Climb] = []
    others: list[Climb] = []
    for climb in after.ladder.climbs:
        (changed if _breaks_at(was.get(climb.flow)) != climb.broken_at else others).append(climb)
    shown = [*changed, *sorted(others, key=lambda c: c.broken_at is None)][:DRAWN]
    return {
        "knobs": knobs_of(bench.site, turned.get("topic", "")),
        "topics": [t.name for t in bench.site.topics],
        "turned": turned,
        "changes": made,
        "effects": (*_flow_effects(was, changed), *_figure_effects(before, after)),
        "drawing": ladder_svg(shown, was if made else None),
        "hidden": len(after.ladder.climbs) - len(shown),
        "findings": [f for f in after.findings if f.severity is not Severity.NOTE],
    }


def _breaks_at(climb: Climb | None) -> Rung | None:
    return None if climb is None else climb.broken_at


def _flow_effects(before: Mapping[Flow, Climb], changed: list[Climb]) -> Iterator[Effect]:
    """Flows that break elsewhere than before, and how many more do so alike."""
    for climb in changed[:SHOWN_FLOWS]:
        was = before.get(climb.flow)
        better = _height(climb) > (_height(was) if was else len(RUNGS))
        yield Effect(_said(climb), "breaks at", _place(was), _place(climb), better)
    if len(changed) > SHOWN_FLOWS:
        yield Effect("", f"and {len(changed) - SHOWN_FLOWS} more flows", "", "", None)


def _said(climb: Climb) -> str:
    flow = climb.flow
    return f"{flow.topic} {flow.writer} → {flow.reader}"


def _height(climb: Climb) -> int:
    return len(RUNGS) if climb.broken_at is None else RUNGS.index(climb.broken_at)


def _place(climb: Climb | None) -> str:
    if climb is None:
        return "not there"
    return "nowhere" if climb.broken_at is None else f"{climb.broken_at}, {climb.cause}"


def _figure_effects(before: Forecast, after: Forecast) -> Iterator[Effect]:
    """For each quantity that matters, where it changes most."""
    by_quantity: dict[tuple[str, str], list[Row]] = {}
    for row in changes(before.figures, after.figures):
        if row.quantity.name in WEIGHTY:
            by_quantity.setdefault((row.part, row.quantity.name), []).append(row)
    for (_, name), rows in by_quantity.items():
        rows.sort(key=_turn, reverse=True)
        for row in rows[:SHOWN_PARTS]:
            yield _effect(row)
        if len(rows) > SHOWN_PARTS:
            yield Effect("", f"and {len(rows) - SHOWN_PARTS} more: {name}", "", "", None)


def _turn(row: Row) -> float:
    """How much a quantity changes, as a logarithm of the ratio; what comes or goes changes most."""
    return abs(log(row.other / row.one)) if row.one and row.other else inf


def _effect(row: Row) -> Effect:
    one, other, _ = row.words
    grows = None if row.one is None or row.other is None else row.other > row.one
    better = None if grows is None else grows == (row.quantity.name in MORE_IS_BETTER)
    return Effect(f"{row.part} {row.name}", row.quantity.name, one, other, better)
