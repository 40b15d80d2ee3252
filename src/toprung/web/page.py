"""One page's common part: its views, its templates, and how a request is answered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from importlib.metadata import version
from importlib.resources import files
from typing import Any
from urllib.parse import parse_qsl

from jinja2 import ChoiceLoader, Environment, PackageLoader
from starlette.requests import Request
from starlette.responses import HTMLResponse

from toprung import __version__
from toprung.errors import UsageError
from toprung.model.ladder import RUNGS, Climb, Rung, State
from toprung.pictures.amounts import octets
from toprung.pictures.summary import verdict
from toprung.report.document import SIGNS
from toprung.web import bundle
from toprung.web.bench import Bench

LONGEST_FORM = 4_500_000  # octets; a site file may have four million
_HOMES = (("toprung.web", "static"), ("toprung.pictures",))  # of the files that a page loads


@dataclass(frozen=True, slots=True)
class View:
    key: str
    title: str


VIEWS = tuple(
    View(*pair)
    for pair in (
        ("site", "Site"),
        ("ladder", "Ladder"),
        ("load", "Load"),
        ("loops", "Loops"),
        ("whatif", "What if"),
        ("live", "Live"),
        ("report", "Report"),
    )
)


class Page:
    """Renders the templates with what every one of them needs."""

    def __init__(self, bench: Bench, forgery: str) -> None:
        self.bench = bench
        self.templates = Environment(
            loader=ChoiceLoader([PackageLoader("toprung.web"), PackageLoader("toprung.report")]),
            autoescape=True,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.templates.filters["octets"] = octets
        self.templates.globals.update(
            bench=bench,
            forgery=forgery,
            views=VIEWS,
            version=__version__,
            static=static,
            rungs=RUNGS,
            signs=SIGNS,
            rungs_of=rungs_of,
        )

    def view(self, key: str, **context: Any) -> HTMLResponse:
        """A whole page."""
        view = next(v for v in VIEWS if v.key == key)
        return self.part(f"{key}.html", view=view, here=f"/{key}", standing=self.standing(), **context)

    def part(self, template: str, /, status: int = 200, **context: Any) -> HTMLResponse:
        """A piece of a page."""
        return HTMLResponse(self.templates.get_template(template).render(context), status)

    def standing(self) -> str:
        """One line: what lies on the bench and how it stands."""
        bench = self.bench
        if bench.observed is not None:
            name = bench.site.name if bench.site else "what was seen"
            return f"{name}, as captured: {verdict(bench.observed)}"
        forecast = bench.forecast()
        if forecast is None:
            return "no site yet: write one, or drop a capture"
        return f"{forecast.site.name}, as forecast: {verdict(forecast)}"


def packaged(name: str) -> bytes | None:
    """A file that a page loads, by its plain name; None where there is no such."""
    if name == bundle.NAME:
        return bundle.chart_script()
    for package, *folders in _HOMES:
        file = files(package).joinpath(*folders, name)
        if "/" not in name and file.is_file():
            return file.read_bytes()
    return None


@cache
def static(name: str) -> str:
    """The address of a packaged file; another content has another address."""
    if name == bundle.NAME:  # its content is the chart library's
        return f"/static/{name}?{version('vl-convert-python')}"
    return f"/static/{name}?{sha256(packaged(name) or b'').hexdigest()[:12]}"


def rungs_of(climb: Climb) -> list[tuple[Rung, State]]:
    return list(zip(RUNGS, climb.states, strict=True))


async def form_of(request: Request) -> Mapping[str, str]:
    """The fields of a form.  Raises UsageError for more than a form can hold."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > LONGEST_FORM:
            raise UsageError("the form is too long", "form", "a site file has at most 4 MB")
    return dict(parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True))
