"""The site drawn: machines as posts side by side, links as rails across them, a clamp where they join.

A rail is as thick as its link is busy; a post's cap carries a bar for the use of the machine's discovery
budget.  The figures stand beside them in words, so that neither thickness nor colour has to be told apart.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from html import escape

from toprung.model.site import Link, LinkKind, Machine, Site
from toprung.model.units import shortened

COLUMN_PX = 168
CAP_PX = 58  # name, role, bar
LINE_PX = 17  # a participant's line
RAIL_PX = 70
EDGE_PX = 16
LETTERS = 20  # that fit into a post
THIN_PX, THICK_PX = 3.0, 17.0


@dataclass(frozen=True, slots=True)
class Marks:
    """What a forecast or a reading says of the site's parts: fractions for the eye, words for the rest."""

    busy: Mapping[str, float] = field(default_factory=dict)  # link -> 0..1
    use: Mapping[str, float] = field(default_factory=dict)  # machine -> of its budget; above 1 is too much
    link_words: Mapping[str, str] = field(default_factory=dict)
    machine_words: Mapping[str, str] = field(default_factory=dict)


NOWHERE: Callable[[str, str], str] = lambda kind, name: f"#{kind}-{name}"  # noqa: E731


def site_svg(site: Site, marks: Marks | None = None, href: Callable[[str, str], str] = NOWHERE) -> str:
    """An SVG element.  `href`: where a click on a part goes, by its kind ("machine", "link") and name."""
    plan = _Plan(site, marks or Marks(), href)
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" class="site" role="group" '
        f'viewBox="0 0 {plan.width} {plan.height}" width="{plan.width}" aria-label="Machines and links">'
    ]
    for place, machine in enumerate(site.machines):
        parts += _post(plan, place, machine)
    for row, link in enumerate(site.links):
        parts += _rail(plan, row, link)
    return "\n".join([*parts, "</svg>"])


@dataclass(frozen=True)
class _Plan:
    site: Site
    marks: Marks
    href: Callable[[str, str], str]

    def column(self, machine: str) -> float:
        place = next(i for i, m in enumerate(self.site.machines) if m.name == machine)
        return EDGE_PX + COLUMN_PX * (place + 0.5)

    def speakers(self, machine: str) -> list[str]:
        return [p.name for p in self.site.participants if p.machine == machine]

    @property
    def head(self) -> int:
        """The height of the posts' heads: the machine with most participants decides."""
        most = max((len(self.speakers(m.name)) for m in self.site.machines), default=0)
        return CAP_PX + LINE_PX * most + 8

    @property
    def width(self) -> int:
        return 2 * EDGE_PX + COLUMN_PX * max(1, len(self.site.machines))

    @property
    def height(self) -> int:
        return 2 * EDGE_PX + self.head + RAIL_PX * len(self.site.links)

    def row(self, place: int) -> float:
        return EDGE_PX + self.head + RAIL_PX * (place + 0.45)


def _post(plan: _Plan, place: int, machine: Machine) -> Iterator[str]:
    """A machine: its name, how much of its budget is used, and who runs on it."""
    x, y = EDGE_PX + COLUMN_PX * place + 8, EDGE_PX
    wide = COLUMN_PX - 16
    use = plan.marks.use.get(machine.name)
    words = plan.marks.machine_words.get(machine.name, "")
    deepest = max((i for i, link in enumerate(plan.site.links) if _joined(link, machine.name)), default=-1)
    foot = plan.row(deepest) if deepest >= 0 else y + plan.head
    middle = x + wide / 2
    yield f'<line class="post" x1="{middle}" y1="{y + plan.head}" x2="{middle}" y2="{foot:.1f}"/>'
    yield (
        f'<a class="machine{" over" if (use or 0) > 1 else ""}" '
        f'href="{escape(plan.href("machine", machine.name))}" '
        f'aria-label="{escape(f"machine {machine.name}. {words}")}">'
    )
    yield f"<title>{escape(f'{machine.name}: {words}' if words else machine.name)}</title>"
    yield f'<rect class="cap" x="{x}" y="{y}" width="{wide}" height="{plan.head}" rx="5"/>'
    yield f'<text class="name" x="{x + 10}" y="{y + 20}">{escape(shortened(machine.name, LETTERS))}</text>'
    yield f'<text class="role" x="{x + 10}" y="{y + 36}">{machine.role or "machine"}</text>'
    if use is not None:
        yield f'<rect class="gauge" x="{x + 10}" y="{y + 43}" width="{wide - 20}" height="6" rx="3"/>'
        yield f'<text class="share" x="{x + wide - 10}" y="{y + 36}" text-anchor="end">{use:.0%}</text>'
        full = (wide - 20) * min(use, 1.0)
        yield f'<rect class="used" x="{x + 10}" y="{y + 43}" width="{full:.1f}" height="6" rx="3"/>'
    for at, name in enumerate(plan.speakers(machine.name)):
        line = y + CAP_PX + LINE_PX * (at + 0.6)
        yield f'<text class="speaker" x="{x + 10}" y="{line:.1f}">{escape(shortened(name, LETTERS))}</text>'
    yield "</a>"


def _joined(link: Link, machine: str) -> bool:
    return any(joint.machine == machine for joint in link.joins)


def _rail(plan: _Plan, row: int, link: Link) -> Iterator[str]:
    """A link: a rail from its first machine to its last, clamped to those that it joins."""
    y = plan.row(row)
    columns = sorted(plan.column(joint.machine) for joint in link.joins)
    left, right = columns[0] - 26, columns[-1] + 26
    busy = plan.marks.busy.get(link.name)
    thick = THIN_PX + (THICK_PX - THIN_PX) * min(1.0, busy or 0.0)
    words = plan.marks.link_words.get(link.name, "")
    yield (
        f'<a class="link {link.kind}{" over" if (busy or 0) > 1 else ""}" '
        f'href="{escape(plan.href("link", link.name))}" aria-label="{escape(f"link {link.name}. {words}")}">'
    )
    yield f"<title>{escape(f'{link.name}: {words}' if words else link.name)}</title>"
    yield (
        f'<line class="rail" x1="{left:.1f}" y1="{y:.1f}" x2="{right:.1f}" y2="{y:.1f}" '
        f'stroke-width="{thick:.1f}"{_dashes(link.kind)}/>'
    )
    said = " · ".join(part for part in (f"{link.name}, {_kind(link)}", words) if part)
    room = int((plan.width - left) / 6.2)
    yield f'<text class="said" x="{left:.1f}" y="{y - 14:.1f}">{escape(shortened(said, room))}</text>'
    for joint in link.joins:
        x = plan.column(joint.machine)
        yield f'<circle class="clamp" cx="{x:.1f}" cy="{y:.1f}" r="{thick / 2 + 4:.1f}"/>'
        under = y + thick / 2 + 15
        yield f'<text class="port" x="{x + 8:.1f}" y="{under:.1f}">{escape(joint.interface)}</text>'
    yield "</a>"


def _kind(link: Link) -> str:
    return f"{link.kind} {link.standard}" if link.standard else str(link.kind)


def _dashes(kind: LinkKind) -> str:
    """The air is no wire: its rail is dotted."""
    return ' stroke-dasharray="10 5"' if kind is LinkKind.WIFI else ""
