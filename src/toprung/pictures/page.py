"""A reading as one HTML page: no script, nothing fetched, readable in light and dark, by eye and by ear."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from importlib.resources import files

from toprung.diagnose.observed import Observed
from toprung.model.finding import Evidence, Finding, Severity
from toprung.model.ladder import RUNGS, Climb, State
from toprung.pictures.figures import link_words, machine_words
from toprung.pictures.ladder_svg import ladder_svg
from toprung.pictures.plain import printable
from toprung.pictures.summary import (
    capture_words,
    heading,
    stranger_heading,
    stranger_words,
    unseen_words,
    verdict,
)

_SIGNS = {State.HELD: "■", State.BROKEN: "✕", State.UNSEEN: "○", State.UNREACHED: "·"}


def page(observed: Observed) -> str:
    """The whole document."""
    title = observed.site.name if observed.given else "What was seen"
    style = files("toprung.pictures").joinpath("page.css").read_text(encoding="utf-8")
    body = "\n".join(
        part
        for part in (
            f"<header><p class='kind'>Toprung · as captured</p><h1>{escape(title)}</h1>",
            f"<p>{escape(heading(observed))}</p><p class='verdict'>{escape(verdict(observed))}</p></header>",
            "<main>",
            _drawing(observed),
            _findings(observed),
            _table(observed),
            _list(stranger_heading(observed), stranger_words(observed)),
            _list("Machines", machine_words(observed)),
            _list("Links", link_words(observed)),
            _list("Not to be seen in these captures", unseen_words(observed)),
            _list("Captures", ("; ".join(capture_words(v)) for v in observed.picture.views)),
            "</main>",
        )
        if part
    )
    document = (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{escape(title)} · Toprung</title>\n<style>\n{style}</style>\n</head>\n"
        f"<body>\n{body}\n</body>\n</html>\n"
    )
    return "\n".join(map(printable, document.split("\n")))


def _drawing(observed: Observed) -> str:
    if not observed.ladder.climbs:
        return ""
    legend = (
        "<ul class='legend'><li><i class='held'>■</i> held</li><li><i class='gone'>✕</i> broken</li>"
        "<li><i class='unseen'>○</i> these captures cannot tell</li>"
        "<li><i class='flag'>⚑</i> works to the top</li></ul>"
    )
    drawing = ladder_svg(observed.ladder.climbs)
    return f"<figure tabindex='0' aria-label='The ladder'>{drawing}</figure>{legend}"


def _findings(observed: Observed) -> str:
    if not observed.findings:
        return ""
    order = {severity: place for place, severity in enumerate(Severity)}
    numbered = sorted(enumerate(observed.findings), key=lambda pair: order[pair[1].severity])
    found = "\n".join(_finding(f, observed.flows_of(index)) for index, f in numbered)
    return f"<section><h2>Findings</h2>\n<ol class='findings'>\n{found}\n</ol></section>"


def _finding(finding: Finding, flows: tuple[str, ...]) -> str:
    evidence = "".join(f"<li>{_place(e)} {escape(e.says)}</li>" for e in finding.evidence)
    remedies = "".join(f"<li>{escape(remedy)}</li>" for remedy in finding.remedies)
    also = ""
    if flows and flows != (finding.subject,):
        also = f"<p class='flows'>Flows: {escape('; '.join(flows))}</p>"
    return (
        f"<li class='{finding.severity}'><p class='code'><b>{finding.severity}</b> {escape(finding.code)}"
        f" · rung {finding.rung}</p><h3>{escape(finding.subject)}</h3><p>{escape(finding.says)}</p>"
        f"<p class='effect'>{escape(finding.effect)}</p>"
        f"<h4>Change</h4><ul class='change'>{remedies}</ul>"
        f"<h4>Seen</h4><ul class='seen'>{evidence}</ul>{also}</li>"
    )


def _place(evidence: Evidence) -> str:
    words = f"{evidence.capture} · packet {evidence.packet} · {evidence.time_s:.3f} s"
    return f"<span class='place'>{escape(words)}</span>"


def _table(observed: Observed) -> str:
    if not observed.ladder.climbs:
        return ""
    head = "".join(f"<th scope='col'>{rung}</th>" for rung in RUNGS)
    rows = "\n".join(map(_row, observed.ladder.climbs))
    return (
        "<section><h2>Every flow</h2><div class='wide' tabindex='0'><table>\n"
        f"<thead><tr><th scope='col'>flow</th>{head}<th scope='col'>cause</th></tr></thead>\n"
        f"<tbody>\n{rows}\n</tbody></table></div></section>"
    )


def _row(climb: Climb) -> str:
    cells = "".join(
        f"<td class='{s}'><span aria-hidden='true'>{_SIGNS[s]}</span> {s}</td>" for s in climb.states
    )
    return (
        f"<tr><th scope='row'>{escape(str(climb.flow))}</th>{cells}<td>{escape(climb.cause or '')}</td></tr>"
    )


def _list(title: str, lines: Iterable[str]) -> str:
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f"<section><h2>{escape(title)}</h2><ul>{items}</ul></section>" if items else ""
