"""The whole document as HTML: no script, nothing fetched, the same bytes from the same inputs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined

from toprung import __version__
from toprung.diagnose.observed import Observed
from toprung.forecast.result import Forecast
from toprung.model.finding import Finding, Severity
from toprung.model.ladder import RUNGS, Climb, Flow, State
from toprung.model.outcome import Outcome
from toprung.model.site import Site
from toprung.pictures.chart_svg import chart_svg
from toprung.pictures.charts import CAPTURED, FORECAST
from toprung.pictures.comparison import comparison_rows
from toprung.pictures.ladder_svg import ladder_svg
from toprung.pictures.loops import caution, loop_entries
from toprung.pictures.marks import marks_of
from toprung.pictures.plain import printable
from toprung.pictures.sets import age_chart, load_charts, sources_of
from toprung.pictures.site_svg import site_svg
from toprung.pictures.summary import (
    capture_words,
    heading,
    stranger_heading,
    stranger_words,
    unseen_words,
    verdict,
)

SIGNS = {State.HELD: "■", State.BROKEN: "✕", State.UNSEEN: "○", State.UNREACHED: "·"}
FLOWS_A_DRAWING = 60
_ORDER = {severity: place for place, severity in enumerate(Severity)}


@dataclass(frozen=True, slots=True)
class Matter:
    """What a document is about.  `digests`: each input's name and its SHA-256."""

    forecast: Forecast | None
    observed: Observed | None
    digests: tuple[tuple[str, str], ...] = ()

    @property
    def outcomes(self) -> dict[str, Outcome]:
        """The forecast and what was captured, as far as there are such."""
        pairs: tuple[tuple[str, Outcome | None], ...] = ((FORECAST, self.forecast), (CAPTURED, self.observed))
        return {words: outcome for words, outcome in pairs if outcome is not None}

    @property
    def site(self) -> Site:
        """The site that was given, or the one that the captures suggest."""
        outcome = self.forecast or self.observed
        if outcome is None:
            raise ValueError("a document needs a forecast, a capture, or both")
        return outcome.site


@dataclass(frozen=True, slots=True)
class FlowRow:
    """A flow with its climbs, each under its words."""

    flow: Flow
    climbs: tuple[tuple[str, Climb], ...]


def document(matter: Matter) -> str:
    """The HTML text, ending with a newline."""
    figures = sources_of(matter.forecast, matter.observed)
    template = environment().get_template("document.html")
    text = template.render(
        title=_title(matter),
        kind=" and ".join(f"as {words}" for words in matter.outcomes),
        headlines=list(_headlines(matter)),
        style=files("toprung.pictures").joinpath("page.css").read_text(encoding="utf-8"),
        drawing=site_svg(matter.site, marks_of(matter.site, figures)) if matter.site.machines else "",
        ladders=list(_ladders(matter)),
        both=len(matter.outcomes) == 2,
        findings=[
            (f"as {words}", _findings(outcome)) for words, outcome in reversed(matter.outcomes.items())
        ],
        rows=rows_of(matter.outcomes),
        comparison=comparison_rows(matter.site, figures) if len(figures) == 2 else (),
        charts=[*load_charts(matter.site, figures), *age_chart(matter.site, figures)],
        loops=loop_entries(matter.site, matter.forecast, figures),
        caution=caution(),
        lists=[(title, lines) for title, lines in _lists(matter) if lines],
        inputs=matter.digests,
        version=__version__,
        draw=chart_svg,
        rungs=RUNGS,
        signs=SIGNS,
    )
    return "\n".join(map(printable, text.rstrip("\n").split("\n"))) + "\n"


def environment() -> Environment:
    """The templates of the document, which the page shares."""
    return Environment(
        loader=PackageLoader("toprung.report"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )


def rows_of(outcomes: dict[str, Outcome]) -> list[FlowRow]:
    """Every flow that any outcome knows, in the site's order."""
    found: dict[Flow, list[tuple[str, Climb]]] = {}
    for words, outcome in outcomes.items():
        for climb in outcome.ladder.climbs:
            found.setdefault(climb.flow, []).append((words, climb))
    return [FlowRow(flow, tuple(climbs)) for flow, climbs in found.items()]


def _title(matter: Matter) -> str:
    observed = matter.observed
    return "What was seen" if observed is not None and not observed.given else matter.site.name


def _headlines(matter: Matter) -> Iterator[str]:
    if matter.observed is not None:
        yield heading(matter.observed)
    if matter.forecast is not None:
        yield f"As {FORECAST}: {verdict(matter.forecast)}"
    if matter.observed is not None:
        yield f"As {CAPTURED}: {verdict(matter.observed)}"


def _ladders(matter: Matter) -> Iterator[str]:
    """Drawings of sixty flows at most; with both, the forecast hangs beside what was captured."""
    main = matter.observed or matter.forecast
    beside = matter.forecast if matter.observed is not None else None
    planned = {} if beside is None else {c.flow: c for c in beside.ladder.climbs}
    climbs = () if main is None else main.ladder.climbs
    for start in range(0, len(climbs), FLOWS_A_DRAWING):
        yield ladder_svg(climbs[start : start + FLOWS_A_DRAWING], planned)


def _findings(outcome: Outcome) -> list[tuple[Finding, tuple[str, ...]]]:
    """Worst first, each with the flows that it keeps down."""
    numbered = sorted(enumerate(outcome.findings), key=lambda pair: _ORDER[pair[1].severity])
    return [(finding, outcome.flows_of(index)) for index, finding in numbered]


def _lists(matter: Matter) -> Iterator[tuple[str, Sequence[str]]]:
    forecast, observed = matter.forecast, matter.observed
    if forecast is not None:
        yield "What was assumed", forecast.assumptions
        yield "What the site does not say", forecast.unseen
    if observed is not None:
        yield stranger_heading(observed), list(stranger_words(observed))
        yield "Not to be seen in these captures", list(unseen_words(observed))
        yield "Captures", ["; ".join(capture_words(view)) for view in observed.picture.views]
