"""What a forecast comes to: the one argument of every drawing of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from toprung.model.figures import (
    Figures,
    FlowFigures,
    LinkFigures,
    LoopFigures,
    MachineFigures,
    PowerFigures,
)
from toprung.model.finding import Finding
from toprung.model.ladder import Flow, Ladder
from toprung.model.outcome import Outcome
from toprung.model.site import Site


@dataclass(frozen=True, slots=True)
class Term:
    """One step of a loop's reaction, in the order in which they follow each other."""

    says: str
    typical_s: float
    worst_s: float


@dataclass(frozen=True, slots=True)
class Forecast(Outcome):
    """A site before power-on.  Every machine, link, flow, loop and battery of the site has its figures."""

    site: Site
    ladder: Ladder
    findings: tuple[Finding, ...]
    machines: Mapping[str, MachineFigures]
    links: Mapping[str, LinkFigures]
    flows: Mapping[Flow, FlowFigures]
    loops: Mapping[str, LoopFigures]
    power: Mapping[str, PowerFigures]
    terms: Mapping[str, tuple[Term, ...]] = field(default_factory=dict)  # of each loop
    remarks: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # on each loop
    assumptions: tuple[str, ...] = ()  # what was taken because the site does not say it
    unseen: tuple[str, ...] = ()  # why rungs or figures are not known, and what the site would have to say

    @property
    def figures(self) -> Figures:
        """All of them together, as an observation's are."""
        return Figures(self.machines, self.links, self.flows, self.loops, self.power)
