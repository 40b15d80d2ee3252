"""The ladder drawn: a wall with six rungs, and one rope for each flow, as high as it climbed.

Flows hang side by side, grouped by topic; a rope rises from the ground to the last rung that holds it.  A
knot marks each held rung, a torn end the broken one, a hollow ring a rung that nobody can tell of.  Where a
forecast stands beside what was captured, its rope is the thin one on the left.  Shapes alone tell the
states; colour, taken from the page's style sheet, repeats them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape

from toprung.model.ladder import RUNGS, Climb, Flow, State
from toprung.model.units import shortened

RUNG_PX = 46
ROPE_PX = 34
PLANNED_PX = 14  # how far left of a flow its forecast hangs
LEFT_PX = 104
TOP_PX = 28  # at least; a cause is written upwards from where its flow broke
FOOT_PX = 16
LABEL_CHARACTERS = 44
LETTER_PX = 5.7
BOLD_LETTER_PX = 7.2
_ROW = 30  # ropes in one wall; more flows make a second wall below
_GAP_PX = 20  # between topics
_LEAN = 0.72  # sine of the labels' 45 degrees, and a little air


Href = Callable[[Flow], str]


def ladder_svg(
    climbs: Sequence[Climb], planned: Mapping[Flow, Climb] | None = None, href: Href | None = None
) -> str:
    """An SVG element; several walls stand below each other where there are many flows.

    `planned`: the forecast of the same flows, to stand beside them.  `href`: where a click on a flow goes.
    """
    rows = [climbs[i : i + _ROW] for i in range(0, len(climbs), _ROW)]
    walls = [_wall_of(tuple(row), planned or {}, href) for row in rows]
    width = max((wall.width for wall in walls), default=LEFT_PX)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="ladder" role="{"group" if href else "img"}" '
        f'viewBox="0 0 {width:.0f} {sum(w.height for w in walls):.0f}" width="{width:.0f}" '
        'aria-labelledby="ladder-title ladder-text">',
        '<title id="ladder-title">How far each flow climbed</title>',
        f'<desc id="ladder-text">{escape(_in_words(climbs))}</desc>',
    ]
    top = 0.0
    for wall in walls:
        parts.append(f'<g transform="translate(0 {top:.0f})">')
        parts += _drawn(wall)
        parts.append("</g>")
        top += wall.height
    parts.append("</svg>")
    return "\n".join(parts)


def _in_words(climbs: Sequence[Climb]) -> str:
    return "; ".join(f"{c.flow}: {_outcome(c)}" for c in climbs)


def _outcome(climb: Climb) -> str:
    if climb.broken_at is not None:
        return f"broken at {climb.broken_at}, {climb.cause}"
    held = [rung for rung, state in zip(RUNGS, climb.states, strict=True) if state is State.HELD]
    return f"held up to {held[-1]}" if held else "not seen"


@dataclass(frozen=True, slots=True)
class _Wall:
    """Some flows, and the height that the causes above them take."""

    climbs: tuple[Climb, ...]
    top: float
    planned: Mapping[Flow, Climb]
    href: Href | None

    @property
    def pitch(self) -> float:
        """From one flow to the next; a forecast beside it takes more."""
        return ROPE_PX + (PLANNED_PX if self.planned else 0.0)

    @property
    def ground(self) -> float:
        return self.top + RUNG_PX * len(RUNGS)

    def rung_y(self, place: int) -> float:
        """The y of a rung; the lowest stands nearest the ground."""
        return self.ground - RUNG_PX * (place + 0.5)

    @property
    def places(self) -> list[float]:
        """The x of each rope; a topic's ropes stand together."""
        x, places = LEFT_PX + self.pitch / 2, []
        for at, climb in enumerate(self.climbs):
            if at and climb.flow.topic != self.climbs[at - 1].flow.topic:
                x += _GAP_PX
            places.append(x)
            x += self.pitch
        return places

    @property
    def width(self) -> float:
        # labels lean to the right under their ropes
        return ROPE_PX + max(x + _label_px(c) * _LEAN for x, c in zip(self.places, self.climbs, strict=True))

    @property
    def height(self) -> float:
        return self.ground + FOOT_PX + max(map(_label_px, self.climbs)) * _LEAN + 24


def _wall_of(climbs: tuple[Climb, ...], planned: Mapping[Flow, Climb], href: Href | None) -> _Wall:
    needs = (
        20 + len(c.cause or "") * BOLD_LETTER_PX - RUNG_PX * (len(RUNGS) - RUNGS.index(c.broken_at) - 0.5)
        for c in climbs
        if c.broken_at
    )
    return _Wall(climbs, max((TOP_PX, *needs)), planned, href)


def _drawn(wall: _Wall) -> Iterator[str]:
    right = wall.places[-1] + ROPE_PX / 2 + 8
    for place, rung in enumerate(RUNGS):
        y = wall.rung_y(place)
        yield f'<line class="rung" x1="{LEFT_PX - 8}" y1="{y:.1f}" x2="{right:.1f}" y2="{y:.1f}"/>'
        yield f'<text class="name" x="{LEFT_PX - 18}" y="{y + 4:.1f}" text-anchor="end">{rung}</text>'
    y = wall.ground
    yield f'<line class="ground" x1="{LEFT_PX - 8}" y1="{y:.1f}" x2="{right:.1f}" y2="{y:.1f}"/>'
    for x, climb in zip(wall.places, wall.climbs, strict=True):
        link = "" if wall.href is None else wall.href(climb.flow)
        if link:
            yield f'<a href="{escape(link)}" aria-label="{escape(_tip(climb))}">'
            left = x - wall.pitch / 2 - (PLANNED_PX / 2 if wall.planned else 0)
            yield (  # a whole strip of the wall can be clicked, not the rope alone
                f'<rect class="grip" x="{left:.1f}" y="{wall.top:.1f}" width="{wall.pitch}" '
                f'height="{wall.ground - wall.top:.1f}"/>'
            )
        forecast = wall.planned.get(climb.flow)
        if forecast is not None:
            yield from _plan(wall, x - PLANNED_PX, forecast)
        yield from _rope(wall, x, climb)
        if link:
            yield "</a>"


def _plan(wall: _Wall, x: float, climb: Climb) -> Iterator[str]:
    """The forecast's thin rope, with its own marks."""
    held = [place for place, state in enumerate(climb.states) if state is State.HELD]
    top = wall.rung_y(held[-1]) if held else wall.ground - 6
    yield f'<g class="planned"><title>{escape("forecast of " + _tip(climb))}</title>'
    yield f'<line class="rope" x1="{x:.1f}" y1="{wall.ground:.1f}" x2="{x:.1f}" y2="{top:.1f}"/>'
    for place, state in enumerate(climb.states):
        y = wall.rung_y(place)
        if state is State.HELD:
            yield f'<path class="held" d="M{x - 4:.1f} {y:.1f}l4 -4l4 4l-4 4z"/>'
        elif state is State.BROKEN:
            yield f'<path class="gone" d="M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8"/>'
        elif state is State.UNSEEN:
            yield f'<circle class="unseen" cx="{x:.1f}" cy="{y:.1f}" r="3"/>'
    yield "</g>"


def _rope(wall: _Wall, x: float, climb: Climb) -> Iterator[str]:
    """One flow: its rope, what it holds, why it broke, and its label at the foot."""
    held = [place for place, state in enumerate(climb.states) if state is State.HELD]
    top = wall.rung_y(held[-1]) if held else wall.ground - 6
    yield f'<g class="{"broken" if climb.broken_at else "sound"}">'
    yield f"<title>{escape(_tip(climb))}</title>"
    yield f'<line class="rope" x1="{x:.1f}" y1="{wall.ground:.1f}" x2="{x:.1f}" y2="{top:.1f}"/>'
    for place, state in reversed(list(enumerate(climb.states))):  # a ring covers a torn rope
        yield from _mark(x, wall.rung_y(place), state, top)
    if climb.broken_at:
        y = wall.rung_y(RUNGS.index(climb.broken_at)) - 14
        turn = f"translate({x + 4:.1f} {y:.1f}) rotate(-90)"
        yield f'<text class="cause" transform="{turn}">{escape(climb.cause or "")}</text>'
    elif len(held) == len(RUNGS):
        yield f'<path class="flag" d="M{x:.1f} {top:.1f}v-20l11 5l-11 5"/>'
    lean = f"translate({x - 3:.1f} {wall.ground + FOOT_PX:.1f}) rotate(45)"
    label = escape(shortened(_label(climb), LABEL_CHARACTERS))
    yield f'<text class="label" transform="{lean}">{label}</text>'
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
    return f"{climb.flow.topic} {climb.flow.writer} → {climb.flow.reader}"


def _label_px(climb: Climb) -> float:
    return min(len(_label(climb)), LABEL_CHARACTERS) * (BOLD_LETTER_PX if climb.broken_at else LETTER_PX)


def _tip(climb: Climb) -> str:
    states = ", ".join(f"{rung} {state}" for rung, state in zip(RUNGS, climb.states, strict=True))
    return f"{climb.flow}: {states}" + (f" ({climb.cause})" if climb.cause else "")
