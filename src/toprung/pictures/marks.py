"""What stands on the site's drawing: figures of a capture, or else of the forecast."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TypeVar

from toprung.model.figures import Figures, LinkFigures, MachineFigures
from toprung.model.site import Site
from toprung.pictures.amounts import octets_per_s, share
from toprung.pictures.charts import CAPTURED, FORECAST
from toprung.pictures.site_svg import Marks

_F = TypeVar("_F", MachineFigures, LinkFigures)


def marks_of(site: Site, sources: Mapping[str, Figures]) -> Marks:
    """Captured figures first, forecast where nothing was captured; the words say which."""
    links = {x.name: list(_given(sources, lambda f: f.links, x.name)) for x in site.links}
    machines = {m.name: list(_given(sources, lambda f: f.machines, m.name)) for m in site.machines}
    return Marks(
        busy={
            name: busy
            for name, found in links.items()
            if (busy := _first(f.busy for _, f in found)) is not None
        },
        use={
            name: use
            for name, found in machines.items()
            if (use := _first(f.budget_use for _, f in found)) is not None
        },
        link_words={
            name: next(filter(None, (_link(*pair) for pair in found)), "") for name, found in links.items()
        },
        machine_words={
            name: "; ".join(filter(None, (_machine(*pair) for pair in found)))
            for name, found in machines.items()
        },
    )


def _given(
    sources: Mapping[str, Figures], part: Callable[[Figures], Mapping[str, _F]], name: str
) -> list[tuple[str, _F]]:
    order = (CAPTURED, FORECAST)
    return [
        (words, part(sources[words])[name])
        for words in order
        if words in sources and name in part(sources[words])
    ]


def _first(values: Iterable[float | None]) -> float | None:
    return next((value for value in values if value is not None), None)


def _link(words: str, figures: LinkFigures) -> str:
    parts = []
    if figures.bytes_per_s is not None:
        parts.append(octets_per_s(figures.bytes_per_s))
    if figures.busy is not None:
        parts.append(f"{share(figures.busy)} busy")
    return f"{words} {', '.join(parts)}" if parts else ""


def _machine(words: str, figures: MachineFigures) -> str:
    if figures.known_participants is None:
        return ""
    said = f"{words} {figures.known_participants} participants, {figures.known_endpoints or 0} endpoints"
    if figures.budget_use is not None:
        said += f", {share(figures.budget_use)} of its {figures.limit}"
    return said
