"""The view of the report: the document as it would be handed over, to look at, print or keep."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from toprung.report.document import Matter, document
from toprung.web.bench import Bench
from toprung.web.guard import DOCUMENT_POLICY
from toprung.web.page import Page


def router(page: Page) -> APIRouter:
    routes, bench = APIRouter(), page.bench

    @routes.get("/report")
    def report() -> HTMLResponse:
        return page.view("report", some=bool(bench.text or bench.observed))

    @routes.get("/report/document")
    def shown() -> Response:
        return _document(bench)

    @routes.get("/report/file")
    def kept() -> Response:
        answer = _document(bench)
        answer.headers["content-disposition"] = 'attachment; filename="report.html"'
        return answer

    return routes


def _document(bench: Bench) -> Response:
    """Under a policy of its own: its style is within it, and nothing else may load."""
    matter = Matter(bench.forecast(simulate=True), bench.observed, bench.digests())
    if not matter.outcomes:
        return HTMLResponse("<p>Nothing to report yet.</p>", 404)
    return HTMLResponse(document(matter), headers={"content-security-policy": DOCUMENT_POLICY})
