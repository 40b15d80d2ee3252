"""Two outcomes side by side as text: a forecast against what was seen, or one site against another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from toprung.forecast.motion import CAUTION
from toprung.forecast.result import Forecast
from toprung.model.ladder import Climb, Flow, State
from toprung.pictures.comparison import Row, changes, compare
from toprung.pictures.envelope import VERSION
from toprung.pictures.summary import verdict
from toprung.pictures.text import Style, finished, folded, table, titled, unnumbered, wrapped
from toprung.pictures.told import Told, told_of

MOST_ROWS = 400
_TITLES = {"machine": "Machines", "link": "Links", "flow": "Flows", "loop": "Loops", "battery": "Batteries"}


def against_text(forecast: Told, observed: Told, style: Style | None = None) -> str:
    """What was forecast, what was seen, and how the second is to the first, of whatever both tell."""
    style = style or Style()
    rows = list(compare(forecast.figures, observed.figures))
    pairs = differing(forecast, observed)
    alike = sum(flow in observed.climbs for flow in forecast.climbs) - len(pairs)
    blocks = (
        wrapped(f"{forecast.site}: what was forecast against what was seen"),
        _ladders(("", "forecast", "seen"), pairs),
        *_tables(rows, ("forecast", "seen", "ratio")),
        _caution(rows),
        wrapped(f"{alike} flow{'s' * (alike != 1)} came out as forecast, {len(pairs)} otherwise."),
    )
    return finished(blocks, style)


def compare_text(one: Forecast, other: Forecast, names: tuple[str, str], style: Style | None = None) -> str:
    """What changes from one site to the other."""
    style = style or Style()
    pairs = differing(told_of(one), told_of(other))
    rows = list(changes(one.figures, other.figures))
    gone, new = _codes(one) - _codes(other), _codes(other) - _codes(one)
    blocks = (
        wrapped(f"{names[0]} against {names[1]}"),
        _ladders(("", *names), pairs),
        *_tables(_greatest(rows), (*names, "ratio")),
        _caution(rows),
        titled("No more", sorted(gone)),
        titled("New", sorted(new)),
        () if pairs or rows or gone or new else ("Nothing changes.",),
        [*wrapped(f"{names[0]}: {verdict(one)}"), *wrapped(f"{names[1]}: {verdict(other)}")],
    )
    return finished(blocks, style)


def _caution(rows: Iterable[Row]) -> Iterable[str]:
    """Wherever a speed or a distance stands."""
    moving = any(row.quantity.key.endswith(("_m", "_m_per_s")) for row in rows)
    return wrapped(f"Caution: {CAUTION}") if moving else ()


def comparison_json(one: Told, other: Told) -> dict[str, Any]:
    """The same for programs, with every quantity that either of the two knows."""
    rows = dict.fromkeys((*compare(one.figures, other.figures), *changes(one.figures, other.figures)))
    return {
        "toprung": VERSION,
        "kind": "comparison",
        "sites": [one.site, other.site],
        "kinds": [one.kind, other.kind],
        "flows": [
            {"topic": f.topic, "from": f.writer, "to": f.reader, "broken_at": [_rung(a), _rung(b)]}
            | {"cause": [a and a.cause, b and b.cause]}
            for f, a, b in differing(one, other)
        ],
        "figures": [
            {"part": r.part, "name": r.name, "key": r.quantity.key, "values": [r.one, r.other]}
            | {"ratio": r.ratio}
            for r in rows
        ],
    }


def differing(one: Told, other: Told) -> list[tuple[Flow, Climb | None, Climb | None]]:
    """Flows that break differently, or not in both; what one side cannot tell is no difference."""
    flows = dict.fromkeys((*one.climbs, *other.climbs))
    pairs = ((flow, one.climbs.get(flow), other.climbs.get(flow)) for flow in flows)
    return [pair for pair in pairs if _differ(pair[1], pair[2])]


def _differ(a: Climb | None, b: Climb | None) -> bool:
    if a is None or b is None:
        return True
    return (a.broken_at, a.cause) != (b.broken_at, b.cause)


def _codes(forecast: Forecast) -> set[str]:
    return {f"{f.severity}: {f.code}, {f.subject}" for f in forecast.findings}


def _rung(climb: Climb | None) -> str | None:
    return None if climb is None or climb.broken_at is None else str(climb.broken_at)


def _ladders(head: Sequence[str], pairs: Iterable[tuple[Flow, Climb | None, Climb | None]]) -> Iterator[str]:
    rows = ((str(flow), _outcome(a), _outcome(b)) for flow, a, b in pairs)
    yield from table(head, folded(rows), most=MOST_ROWS)


def _outcome(climb: Climb | None) -> str:
    if climb is None:
        return "no such flow"
    if climb.broken_at is not None:
        return f"{climb.broken_at}: {climb.cause}"
    return "unseen" if State.UNSEEN in climb.states else "to the top"


def _greatest(rows: Iterable[Row]) -> Iterator[Row]:
    """Of what a fleet's copies have alike, the copy with the greatest figure."""
    groups: dict[tuple[str, str, str], list[Row]] = {}
    for row in rows:
        groups.setdefault((row.part, unnumbered(row.name), row.quantity.key), []).append(row)
    for group in groups.values():
        most = max(group, key=lambda row: max(row.one or 0.0, row.other or 0.0))
        name = f"{most.name} (most of {len(group)})" if len(group) > 1 else most.name
        yield replace(most, name=name)


def _tables(rows: Iterable[Row], head: tuple[str, str, str]) -> Iterator[Iterator[str]]:
    parts: dict[str, list[tuple[str, ...]]] = {}
    for row in rows:
        parts.setdefault(row.part, []).append((f"{row.name}: {row.quantity.name}", *row.words))
    for part, lines in parts.items():
        yield table((_TITLES[part], *head), lines, most=MOST_ROWS)
