"""The views of load and loops: charts of what the site forecasts and what was captured."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from toprung.pictures.loops import caution, loop_entries
from toprung.pictures.sets import age_chart, load_charts
from toprung.web.page import Page


def router(page: Page) -> APIRouter:
    routes, bench = APIRouter(), page.bench

    @routes.get("/load")
    def load() -> HTMLResponse:
        site, figures = bench.shown_site, bench.figures()
        return page.view("load", charts=[] if site is None else list(load_charts(site, figures)))

    @routes.get("/loops")
    def loops() -> HTMLResponse:
        site, figures = bench.shown_site, bench.figures()
        return page.view(
            "loops",
            charts=[] if site is None else list(age_chart(site, figures)),
            loops=[] if site is None else loop_entries(site, bench.forecast(), figures),
            caution=caution(),
        )

    return routes
