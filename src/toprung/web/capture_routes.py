"""Captures on the bench: dropped, labelled, taken away."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from toprung.web.page import Page, form_of
from toprung.web.uploads import plain_name, receive


def router(page: Page) -> APIRouter:
    routes, bench = APIRouter(), page.bench

    def shelf() -> HTMLResponse:
        return page.part("captures.html")

    @routes.get("/captures")
    def captures() -> HTMLResponse:
        return shelf()

    @routes.put("/captures")
    async def put(request: Request, name: str) -> HTMLResponse:
        """The body is the capture itself; what breaks off leaves nothing."""
        shown = plain_name(name)
        path = await receive(request.stream(), bench.folder, shown)
        bench.put_capture(shown, path, _machine_of(shown), ours=True)
        bench.read_again()
        return shelf()

    def _machine_of(name: str) -> str | None:
        """A capture named after a machine is taken for that machine's, as a first guess."""
        stem = name.split(".")[0]
        machines = () if bench.site is None else (m.name for m in bench.site.machines)
        return stem if stem in machines else None

    @routes.post("/captures/{key}/machine")
    async def label(request: Request, key: int) -> HTMLResponse:
        said = (await form_of(request)).get("machine", "")
        known = () if bench.site is None else tuple(m.name for m in bench.site.machines)
        bench.label(key, said if said in known else None)
        return shelf()

    @routes.delete("/captures/{key}")
    def drop(key: int) -> HTMLResponse:
        bench.drop_capture(key)
        return shelf()

    @routes.post("/reading/stop")
    def stop() -> Response:
        bench.stop_reading()
        return shelf()

    return routes
