"""The page's server: views, captures, and word of what has changed."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable

from fastapi import FastAPI, Request
from fastapi.responses import RedirectResponse, Response, StreamingResponse

from toprung.errors import ToolError
from toprung.web import (
    capture_routes,
    figure_routes,
    ladder_routes,
    live_routes,
    report_routes,
    site_routes,
    whatif_routes,
)
from toprung.web.bench import Bench
from toprung.web.guard import Guard, Guarded
from toprung.web.page import Page, packaged

HEARTBEAT_S = 15.0
KINDS = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
ROUTES = (
    site_routes,
    ladder_routes,
    figure_routes,
    whatif_routes,
    live_routes,
    report_routes,
    capture_routes,
)


def create_app(bench: Bench, guard: Guard) -> FastAPI:
    """The application; `bench` is closed by whoever made it."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    page = Page(bench, guard.forgery)
    app.add_api_route("/static/{name}", _packaged, methods=["GET"])
    for routes in ROUTES:
        app.include_router(routes.router(page))
    app.add_api_route("/", lambda: RedirectResponse("/site", 303), methods=["GET"])
    app.add_api_route("/events", _events(bench), methods=["GET"])
    app.add_exception_handler(ToolError, _refused(page))
    app.add_middleware(Guarded, guard=guard)
    return app


def _packaged(name: str) -> Response:
    """A file of the package.  Its address changes with its content, so that it may be kept."""
    content, kind = packaged(name), KINDS.get(name.rpartition(".")[2])
    if content is None or kind is None:
        return Response(status_code=404)
    return Response(content, media_type=kind, headers={"cache-control": "max-age=31536000, immutable"})


def _events(bench: Bench) -> Callable[[Request, int], Awaitable[StreamingResponse]]:
    async def events(request: Request, seen: int = 0) -> StreamingResponse:
        async def lines() -> AsyncIterator[str]:
            known = seen
            while not (bench.over or await request.is_disconnected()):
                revision = await bench.next_revision(known, HEARTBEAT_S)
                yield f"data: {revision} {bench.settled}\n\n" if revision != known else ": still here\n\n"
                known = revision
                await asyncio.sleep(0.1)  # ten a second are enough for an eye

        return StreamingResponse(lines(), media_type="text/event-stream")

    return events


def _refused(page: Page) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def refused(_: Request, error: Exception) -> Response:
        return page.part("refused.html", status=422, says=str(error))

    return refused
