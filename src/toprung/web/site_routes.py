"""The view of the site: its drawing with the load on it, and its file beside it."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, PlainTextResponse, Response

from toprung.model.site_faults import SiteFaults
from toprung.model.site_file import load_site
from toprung.pictures.marks import marks_of
from toprung.pictures.site_svg import site_svg
from toprung.web.page import Page, form_of
from toprung.web.parts import Part, link_part, machine_part


def router(page: Page) -> APIRouter:
    routes, bench = APIRouter(), page.bench

    @routes.get("/site")
    def site(part: str = "") -> HTMLResponse:
        kind, _, name = part.partition(":")
        return page.view(
            "site", drawing=_drawing(page), text=bench.text, faults=(), part=_part(page, kind, name)
        )

    @routes.get("/site/part/{kind}/{name:path}")
    def part(kind: str, name: str) -> HTMLResponse:
        found = _part(page, kind, name)
        return (
            page.part("part.html", part=found)
            if found
            else page.part("refused.html", 404, says="No such part.")
        )

    @routes.post("/site/check")
    async def check(request: Request) -> HTMLResponse:
        text = (await form_of(request)).get("text", "")
        return page.part("faults.html", text=text, faults=_faults(text, bench.file_name))

    @routes.post("/site")
    async def take(request: Request) -> Response:
        """A sound site takes the old one's place; a faulty one changes nothing and is shown as it is."""
        text = (await form_of(request)).get("text", "").replace("\r\n", "\n")
        faults = _faults(text, bench.file_name)
        if faults:
            return page.view("site", drawing=_drawing(page), text=text, faults=faults, part=None)
        bench.put_site(text)
        return page.view("site", drawing=_drawing(page), text=text, faults=(), part=None)

    @routes.get("/site/file")
    def file() -> PlainTextResponse:
        return PlainTextResponse(bench.text, media_type="application/yaml")

    return routes


def _faults(text: str, name: str) -> tuple[object, ...]:
    try:
        load_site(text, name)
    except SiteFaults as faults:
        return tuple({"line": f.line, "says": str(f)} for f in faults.faults)
    return ()


def _href(kind: str, name: str) -> str:
    return f"/site?part={kind}:{quote(name, safe='')}"


def _drawing(page: Page) -> str:
    bench = page.bench
    return "" if bench.site is None else site_svg(bench.site, marks_of(bench.site, bench.figures()), _href)


def _part(page: Page, kind: str, name: str) -> Part | None:
    makers: dict[str, Callable[..., Part | None]] = {"machine": machine_part, "link": link_part}
    return makers[kind](page.bench, name) if kind in makers and page.bench.site is not None else None
