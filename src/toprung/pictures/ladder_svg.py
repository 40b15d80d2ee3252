"""The ladder drawn: a wall with six rungs, and one rope for each flow, as high as it climbed.

Flows hang side by side, grouped by topic; a rope rises from the ground to the last rung that holds it.  A
knot marks each held rung, a torn end the broken one, a hollow ring a rung that the captures do not show.
Shapes alone tell the states; colour, taken from the page's style sheet, repeats them.
"""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from toprung.model.ladder import RUNGS, Climb, State
from toprung.pictures.observed import Observed

RUNG_PX = 46
ROPE_PX = 34
LEFT_PX = 104
TOP_PX = 26
FOOT_PX = 16
LABEL_CHARACTERS = 34
LETTER_PX = 6.3
_ROW = 30  # ropes in one wall; more flows make a second wall below
_GAP_PX = 20  # between topics


def ladder_svg(observed: Observed) -> str:
    """An SVG element; several walls stand below each other where there are many flows."""
    climbs = observed.ladder.climbs
    walls = [climbs[i : i + _ROW] for i in range(0, len(climbs), _ROW)]
    heights = [_wall_height(wall) for wall in walls]
    width = max((_wall_width(wall) for wall in walls), default=LEFT_PX)
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" class="ladder" role="img" '
        f'viewBox="0 0 {width:.0f} {sum(heights):.0f}" width="{width:.0f}" '
        'aria-labelledby="ladder-title ladder-text">',
        '<title id="ladder-title">How far each flow climbed</title>',
        f'<desc id="ladder-text">{escape(_in_words(climbs))}</desc>',
    ]
    top = 0.0
    for wall, height in zip(walls, heights, strict=True):
        parts.append(f'<g transform="translate(0 {top:.0f})">')
        parts += _wall(wall, _wall_width(wall))
        parts.append("</g>")
        top += height
    parts.append("</svg>")
    return "\n".join(parts)


def _in_words(climbs: tuple[Climb, ...]) -> str:
    return "; ".join(f"{c.flow}: {_outcome(c)}" for c in climbs)


def _outcome(climb: Climb) -> str:
    if climb.broken_at is not None:
        return f"broken at {climb.broken_at}, {climb.cause}"
    held = [rung for rung, state in zip(RUNGS, climb.states, strict=True) if state is State.HELD]
    return f"held up to {held[-1]}" if held else "not seen"


def _ground() -> float:
    return TOP_PX + RUNG_PX * len(RUNGS)


def _rung_y(place: int) -> float:
    """The y of a rung, the lowest at the ground's side."""
    return _ground() - RUNG_PX * (place + 0.5)


def _places(wall: tuple[Climb, ...]) -> list[float]:
    """The x of each rope; a topic's ropes stand together."""
    x, places = LEFT_PX + ROPE_PX / 2, []
    for at, climb in enumerate(wall):
        if at and climb.flow.topic != wall[at - 1].flow.topic:
            x += _GAP_PX
        places.append(x)
        x += ROPE_PX
    return places


def _wall_width(wall: tuple[Climb, ...]) -> float:
    # labels lean to the right under their ropes
    return _places(wall)[-1] + ROPE_PX + LABEL_CHARACTERS * LETTER_PX * 0.72


def _wall_height(wall: tuple[Climb, ...]) -> float:
    longest = max(min(len(_label(c)), LABEL_CHARACTERS) for c in wall)
    return _ground() + FOOT_PX + longest * LETTER_PX * 0.72 + 24


def _wall(wall: tuple[Climb, ...], width: float) -> Iterator[str]:
    places = _places(wall)
    right = places[-1] + ROPE_PX / 2 + 8
    for place, rung in enumerate(RUNGS):
        y = _rung_y(place)
        yield f'<line class="rung" x1="{LEFT_PX - 8}" y1="{y:.1f}" x2="{right:.1f}" y2="{y:.1f}"/>'
        yield f'<text class="name" x="{LEFT_PX - 18}" y="{y + 4:.1f}" text-anchor="end">{rung}</text>'
    y = _ground()
    yield f'<line class="ground" x1="{LEFT_PX - 8}" y1="{y:.1f}" x2="{right:.1f}" y2="{y:.1f}"/>'
    for x, climb in zip(places, wall, strict=True):
        yield from _rope(x, climb)


def _rope(x: float, climb: Climb) -> Iterator[str]:
    """One flow: its rope, what it holds, and its label at the foot."""
    broken = climb.broken_at is not None
    yield f'<g class="{"broken" if broken else "sound"}">'
    yield f"<title>{escape(_tip(climb))}</title>"
    held = [place for place, state in enumerate(climb.states) if state is State.HELD]
    top = _rung_y(held[-1]) if held else _ground() - 6
    yield f'<line class="rope" x1="{x:.1f}" y1="{_ground():.1f}" x2="{x:.1f}" y2="{top:.1f}"/>'
    for place, state in enumerate(climb.states):
        yield from _mark(x, _rung_y(place), state, top)
    if not broken and len(held) == len(RUNGS):
        yield f'<path class="flag" d="M{x:.1f} {top:.1f}v-20l11 5l-11 5"/>'
    foot = _ground() + FOOT_PX
    label = _label(climb)
    if len(label) > LABEL_CHARACTERS:
        label = label[: LABEL_CHARACTERS - 1] + "…"
    lean = f"translate({x - 3:.1f} {foot:.1f}) rotate(45)"
    yield f'<text class="label" transform="{lean}">{escape(label)}</text>'
    yield "</g>"


def _mark(x: float, y: float, state: State, top: float) -> Iterator[str]:
    match state:
        case State.HELD:
            yield f'<rect class="held" x="{x - 5:.1f}" y="{y - 5:.1f}" width="10" height="10" rx="2"/>'
        case State.UNSEEN:
            yield f'<circle class="unseen" cx="{x:.1f}" cy="{y:.1f}" r="5"/>'
        case State.BROKEN:
            # the torn end hangs between the last held rung and the one that gave way
            yield f'<path class="torn" d="M{x:.1f} {top:.1f}V{y + 15:.1f}l-4 -5m4 5l4 -6m-4 6l0 -8"/>'
            yield f'<path class="gone" d="M{x - 7:.1f} {y - 7:.1f}l14 14m0 -14l-14 14"/>'


def _label(climb: Climb) -> str:
    return f"{climb.flow.topic}  {climb.flow.writer} → {climb.flow.reader}"


def _tip(climb: Climb) -> str:
    states = ", ".join(f"{rung} {state}" for rung, state in zip(RUNGS, climb.states, strict=True))
    return f"{climb.flow}: {states}" + (f" ({climb.cause})" if climb.cause else "")
