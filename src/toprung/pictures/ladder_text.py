"""The ladder as text: one line a flow, its climb drawn from left to right, findings below.

    flow                       path  heard  introduced  matched  flowing  timely
    cart1/odom  driver -> pilot  ●─────●────────●──────────✗ qos-reliability

No line is wider than 100 columns.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from textwrap import wrap

from toprung.diagnose.observed import Observed
from toprung.model.finding import Finding, Severity
from toprung.model.ladder import RUNGS, Climb, State
from toprung.pictures.figures import link_words, machine_words
from toprung.pictures.plain import printable
from toprung.pictures.summary import (
    capture_words,
    heading,
    stranger_heading,
    stranger_words,
    unseen_words,
    verdict,
)

WIDTH = 100
_GAP = 2
_MOST_LISTED = 12


@dataclass(frozen=True, slots=True)
class Style:
    """What the output can carry: `wide` symbols beyond ASCII, `colour` on a terminal."""

    wide: bool = True
    colour: bool = False


@dataclass(frozen=True, slots=True)
class _Signs:
    held: str
    broken: str
    unseen: str
    rail: str
    arrow: str

    def of(self, state: State) -> str:
        signs = {State.HELD: self.held, State.BROKEN: self.broken, State.UNSEEN: self.unseen}
        return signs.get(state, " ")


_SIGNS = {True: _Signs("●", "✗", "○", "─", "→"), False: _Signs("o", "X", "?", "-", "->")}
_COLOURS = {Severity.STOPS: "31", Severity.HURTS: "33", Severity.NOTE: "36"}


def ladder_text(observed: Observed, style: Style | None = None) -> str:
    """The whole reading; ends with a newline."""
    style = style or Style()
    blocks = (
        _wrapped(heading(observed)),
        _ladder(observed, style),
        _findings(observed, style),
        _listed(stranger_heading(observed), stranger_words(observed)),
        _listed("Machines", machine_words(observed)),
        _listed("Links", link_words(observed)),
        _listed("Not to be seen in these captures", unseen_words(observed)),
        _listed("Captures", (line for v in observed.picture.views for line in _indented(capture_words(v)))),
        _wrapped(verdict(observed)),
    )
    text = "\n\n".join("\n".join(map(printable, block)) for block in map(list, blocks) if block) + "\n"
    return text if style.wide else text.encode("ascii", "replace").decode()


def _columns(left: int) -> list[int]:
    """Where the middle of each rung's column stands."""
    middles = []
    for rung in RUNGS:
        middles.append(left + len(rung) // 2)
        left += len(rung) + _GAP
    return middles


def _ladder(observed: Observed, style: Style) -> Iterator[str]:
    climbs = observed.ladder.climbs
    if not climbs:
        return
    signs = _SIGNS[style.wide]
    ends = {c: f"{c.flow.writer} {signs.arrow} {c.flow.reader}" for c in climbs}
    longest = max(len(c.flow.topic) for c in climbs)
    names = {c: f"{c.flow.topic:<{longest}}  {ends[c]}" for c in climbs}
    room = WIDTH - 2 * _GAP - sum(len(rung) + _GAP for rung in RUNGS) + _GAP
    if max(map(len, names.values())) > room:
        names = {c: f"{c.flow.topic}  {ends[c]}" for c in climbs}
    left = min(max(map(len, names.values())), room) + _GAP
    yield " " * left + (" " * _GAP).join(RUNGS)
    for climb in climbs:
        name = names[climb]
        if len(name) > left - _GAP:
            yield from wrap(name, WIDTH, subsequent_indent="  ")
            name = ""
        yield from _climb(name, climb, left, style)


def _climb(name: str, climb: Climb, left: int, style: Style) -> Iterator[str]:
    """The flow's name, then its rungs joined by a rail as far as it got, then the cause."""
    signs, line = _SIGNS[style.wide], name
    reached = False
    for middle, state in zip(_columns(left), climb.states, strict=True):
        joins = reached and state in (State.HELD, State.BROKEN)
        line = line.ljust(middle, signs.rail if joins else " ") + signs.of(state)
        reached = state is State.HELD
        if state is State.BROKEN:
            break
    cause, below = f" {climb.cause}" if climb.cause else "", ""
    if len(line) + len(cause) > WIDTH:
        cause, below = "", cause.rjust(len(line))
    for part in (line.rstrip() + cause, below):
        if part:
            yield _coloured(part, Severity.STOPS, style) if climb.broken_at else part


def _findings(observed: Observed, style: Style) -> Iterator[str]:
    order = {severity: place for place, severity in enumerate(Severity)}
    numbered = sorted(enumerate(observed.findings), key=lambda pair: order[pair[1].severity])
    for shown, (index, finding) in enumerate(numbered, 1):
        if shown > 1:
            yield ""
        yield from _finding(shown, finding, observed.flows_of(index), style)


def _finding(number: int, finding: Finding, flows: tuple[str, ...], style: Style) -> Iterator[str]:
    head = f"{number}. {finding.severity}: {finding.code} ({finding.rung}), {finding.subject}"
    for line in wrap(head, WIDTH, subsequent_indent="   "):
        yield _coloured(line, finding.severity, style)
    yield from wrap(finding.says, WIDTH, initial_indent="   ", subsequent_indent="   ")
    yield from _labelled("effect", [finding.effect])
    seen = (f"{e.capture} packet {e.packet}, {e.time_s:.3f} s: {e.says}" for e in finding.evidence)
    yield from _labelled("seen", seen)
    yield from _labelled("change", finding.remedies)
    if flows != (finding.subject,):
        yield from _labelled("flows", _first(flows))


def _labelled(label: str, texts: Iterable[str]) -> Iterator[str]:
    margin = " " * 12
    for at, text in enumerate(texts):
        first = f"   {label:<9}" if at == 0 else margin[:-2] + "- "
        yield from wrap(text, WIDTH, initial_indent=first, subsequent_indent=margin)


def _first(texts: Iterable[str]) -> Iterator[str]:
    listed = list(texts)
    yield from listed[:_MOST_LISTED]
    if len(listed) > _MOST_LISTED:
        yield f"and {len(listed) - _MOST_LISTED} more"


def _indented(words: Iterator[str]) -> Iterator[str]:
    yield next(words)
    yield from (f"  {word}" for word in words)


def _listed(title: str, lines: Iterable[str]) -> Iterator[str]:
    for at, line in enumerate(_first(lines)):
        if at == 0:
            yield title
        margin = "  " + " " * (len(line) - len(line.lstrip()))
        yield from wrap(line.strip(), WIDTH, initial_indent=margin, subsequent_indent=margin + "  ")


def _wrapped(text: str) -> list[str]:
    return wrap(text, WIDTH)


def _coloured(line: str, severity: Severity, style: Style) -> str:
    return f"\x1b[{_COLOURS[severity]}m{line}\x1b[0m" if style.colour else line
