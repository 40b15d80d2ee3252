"""Pieces of text that every outcome is told in: the ladder, findings, lists and tables.

    flow                       path  heard  introduced  matched  flowing  timely
    cart1/odom  driver -> pilot  ●─────●────────●──────────✗ qos-reliability

A climb is drawn from left to right as far as it got.  No line is wider than 100 columns.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from re import compile as compile_pattern
from textwrap import wrap

from toprung.model.finding import Finding, Severity
from toprung.model.ladder import RUNGS, Climb, State
from toprung.model.outcome import Outcome
from toprung.pictures.plain import printable

WIDTH = 100
MOST_LISTED = 12
_GAP = 2


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
_NUMBER = compile_pattern(r"\d+")
_COLOURS = {Severity.STOPS: "31", Severity.HURTS: "33", Severity.NOTE: "36"}


def unnumbered(text: str) -> str:
    """A text without its numbers: the same for every copy of a fleet."""
    return _NUMBER.sub("#", text)


def finished(blocks: Iterable[Iterable[str]], style: Style) -> str:
    """The blocks of lines as one text, a blank line between them; ends with a newline."""
    filled = (block for block in map(list, blocks) if block)
    text = "\n\n".join("\n".join(map(printable, block)) for block in filled) + "\n"
    return text if style.wide else text.encode("ascii", "replace").decode()


def wrapped(text: str) -> list[str]:
    return wrap(text, WIDTH)


# the ladder


def _columns(left: int) -> list[int]:
    """Where the middle of each rung's column stands."""
    middles = []
    for rung in RUNGS:
        middles.append(left + len(rung) // 2)
        left += len(rung) + _GAP
    return middles


def ladder(climbs: Sequence[Climb], style: Style) -> Iterator[str]:
    """One line a flow under the rungs' names."""
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


def alike(climbs: Iterable[Climb], style: Style) -> list[Climb]:
    """Climbs that differ in their flows' numbers only as one, with how many there are after its reader."""
    groups: dict[tuple[object, ...], list[Climb]] = {}
    for climb in climbs:
        names = (climb.flow.topic, climb.flow.writer, climb.flow.reader)
        groups.setdefault((*map(unnumbered, names), climb.states, climb.cause), []).append(climb)
    times = "\N{MULTIPLICATION SIGN}" if style.wide else "x"
    return [
        replace(group[0], flow=replace(group[0].flow, reader=f"{group[0].flow.reader} {times}{len(group)}"))
        if len(group) > 1
        else group[0]
        for group in groups.values()
    ]


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


# findings; those whose subjects differ in their numbers only (copies of a fleet) are told once


def findings(outcome: Outcome, style: Style) -> Iterator[str]:
    """Every finding, the gravest first, with the flows that it keeps down."""
    order = {severity: place for place, severity in enumerate(Severity)}
    numbered = sorted(enumerate(outcome.findings), key=lambda pair: order[pair[1].severity])
    flows: dict[int, list[str]] = {}
    for climb in outcome.ladder.climbs:
        for number in climb.findings:
            flows.setdefault(number, []).append(str(climb.flow))
    groups: dict[tuple[str, ...], list[int]] = {}
    for index, finding in numbered:
        whose = finding.subject if finding.evidence else unnumbered(finding.subject)  # evidence is its own
        groups.setdefault((finding.severity, finding.code, whose), []).append(index)
    for shown, indices in enumerate(groups.values(), 1):
        if shown > 1:
            yield ""
        first_one, *others = (outcome.findings[i] for i in indices)
        yield from _finding(shown, first_one, flows.get(indices[0], []), style)
        yield from _labelled("alike", first(other.subject for other in others))


def _finding(number: int, finding: Finding, flows: list[str], style: Style) -> Iterator[str]:
    head = f"{number}. {finding.severity}: {finding.code} ({finding.rung}), {finding.subject}"
    for line in wrap(head, WIDTH, subsequent_indent="   "):
        yield _coloured(line, finding.severity, style)
    yield from wrap(finding.says, WIDTH, initial_indent="   ", subsequent_indent="   ")
    yield from _labelled("effect", [finding.effect])
    seen = (f"{e.place}: {e.says}" for e in finding.evidence)
    yield from _labelled("seen", seen)
    yield from _labelled("change", finding.remedies)
    if flows != [finding.subject]:
        yield from _labelled("flows", first(flows))


def _labelled(label: str, texts: Iterable[str]) -> Iterator[str]:
    margin = " " * 12
    for at, text in enumerate(texts):
        start = f"   {label:<9}" if at == 0 else margin[:-2] + "- "
        yield from wrap(text, WIDTH, initial_indent=start, subsequent_indent=margin)


# lists and tables


def first(texts: Iterable[str], most: int = MOST_LISTED) -> Iterator[str]:
    """The first few, and how many more there are."""
    listed = list(texts)
    yield from listed[:most]
    if len(listed) > most:
        yield f"and {len(listed) - most} more"


def indented(words: Iterator[str]) -> Iterator[str]:
    yield next(words)
    yield from (f"  {word}" for word in words)


def titled(title: str, lines: Iterable[str], most: int = MOST_LISTED) -> Iterator[str]:
    """A list under its title; nothing where it is empty."""
    for at, line in enumerate(first(lines, most)):
        if at == 0:
            yield title
        margin = "  " + " " * (len(line) - len(line.lstrip()))
        yield from wrap(line.strip(), WIDTH, initial_indent=margin, subsequent_indent=margin + "  ")


def folded(rows: Iterable[Sequence[str]]) -> list[tuple[str, ...]]:
    """Rows that say the same of things that differ in their numbers only, as one."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for name, *cells in rows:
        groups.setdefault((unnumbered(name), *cells), []).append(name)
    return [
        (f"{names[0]} (and {len(names) - 1} alike)" if len(names) > 1 else names[0], *cells)
        for (_, *cells), names in groups.items()
    ]


def table(head: Sequence[str], rows: Sequence[Sequence[str]], most: int = MOST_LISTED) -> Iterator[str]:
    """Rows under their heading, the first column to the left, the others to the right.

    A column in which no row has anything is left out; the first one gives way where the line is too long.
    """
    if not rows:
        return
    used = [at for at in range(len(head)) if at == 0 or any(row[at] for row in rows)]
    shown = rows[:most]
    widths = [max(len(head[at]), *(len(row[at]) for row in shown)) for at in used]
    widths[0] = max(widths[0], max(len(row[0]) + _GAP for row in shown))
    gap = _GAP if sum(widths) + _GAP * (len(widths) - 1) <= WIDTH else 1
    widths[0] = min(widths[0], WIDTH - sum(w + gap for w in widths[1:]))
    yield _row([head[at] for at in used], widths, gap)
    for row in shown:
        cells = ["  " + row[0], *(row[at] for at in used[1:])]
        if len(cells[0]) > widths[0]:
            yield from wrap(row[0], WIDTH, initial_indent="  ", subsequent_indent="    ")
            cells[0] = ""
        yield _row(cells, widths, gap)
    if len(rows) > most:
        yield f"  and {len(rows) - most} more"


def _row(cells: Sequence[str], widths: Sequence[int], gap: int) -> str:
    line = cells[0].ljust(widths[0])
    for cell, width in zip(cells[1:], widths[1:], strict=True):
        line += " " * gap + cell.rjust(width)
    return line.rstrip()


def _coloured(line: str, severity: Severity, style: Style) -> str:
    return f"\x1b[{_COLOURS[severity]}m{line}\x1b[0m" if style.colour else line
