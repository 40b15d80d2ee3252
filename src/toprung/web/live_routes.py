"""The live view: listening on an interface of this machine, where that is allowed."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from toprung.errors import UsageError
from toprung.pictures.ladder_svg import ladder_svg
from toprung.pictures.live_text import status
from toprung.web.hearing import Hearing, interfaces_here
from toprung.web.page import Page, form_of

DRAWN = 60  # flows


def router(page: Page) -> APIRouter:
    routes, bench = APIRouter(), page.bench

    @routes.get("/live")
    def live() -> HTMLResponse:
        return page.view("live", interfaces=interfaces_here(), **_now(page))

    @routes.get("/live/now")
    def now() -> HTMLResponse:
        return page.part("now.html", **_now(page))

    @routes.post("/live/start")
    async def start(request: Request) -> HTMLResponse:
        wanted = (await form_of(request)).get("interface", "")
        if wanted not in interfaces_here():
            raise UsageError("no such interface", wanted or "interface", "one of the list would be right")
        if bench.hearing is None or not bench.hearing.running:
            bench.folder.mkdir(parents=True, exist_ok=True)
            save = bench.folder / f"heard-{bench.revision}.pcapng"
            bench.hearing = Hearing((wanted,), bench.site, save, bench.tell)
        return page.part("now.html", **_now(page))

    @routes.post("/live/stop")
    def stop() -> HTMLResponse:
        """What was heard lies on the bench as a capture afterwards."""
        hearing = bench.hearing
        if hearing is not None and hearing.running:
            hearing.stop()
            if hearing.look is not None and hearing.look.observed is not None:
                name = f"heard on {', '.join(hearing.interfaces)}"
                bench.put_capture(name, hearing.save, hearing.here, ours=True)
                bench.read_again()
        return page.part("now.html", **_now(page))

    return routes


def _now(page: Page) -> dict[str, Any]:
    hearing = page.bench.hearing
    look = None if hearing is None else hearing.look
    observed = None if look is None else look.observed
    climbs = () if observed is None else observed.ladder.climbs[:DRAWN]
    return {
        "hearing": hearing,
        "line": "" if look is None else status(look, look.packets_per_s),
        "drawing": ladder_svg(climbs) if climbs else "",
    }
