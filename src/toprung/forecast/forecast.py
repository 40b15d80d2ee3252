"""Site -> forecast: every part worked out, every flow judged, every limit named."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from toprung.forecast.power import power_of
from toprung.forecast.reach import reach_of
from toprung.forecast.result import Forecast
from toprung.forecast.rungs.basis import Basis, Case
from toprung.forecast.rungs.heard import judge_heard
from toprung.forecast.rungs.matched import judge_matched
from toprung.forecast.rungs.path import judge_path
from toprung.model.figures import FlowFigures, LinkFigures, LoopFigures, MachineFigures
from toprung.model.ladder import RUNGS, Ladder, Rung
from toprung.model.site import Site
from toprung.model.verdict import UNSEEN, Findings, Verdict, climb

SEEDS = tuple(range(1, 6))  # of the simulation of discovery
JUDGES: dict[Rung, Callable[[Basis, Case], Verdict]] = {
    Rung.PATH: judge_path,
    Rung.HEARD: judge_heard,
    Rung.MATCHED: judge_matched,
}


def forecast(site: Site, *, simulate: bool = True, seeds: tuple[int, ...] = SEEDS) -> Forecast:
    """What to expect of the site before power-on."""
    basis = Basis(site, reach_of(site))
    findings = Findings()
    batteries = power_of(site)
    climbs = tuple(climb(case.flow, _verdicts(basis, case), findings) for case in basis.cases)
    return Forecast(
        site=site,
        ladder=Ladder(climbs),
        findings=findings.entered(),
        machines={m.name: MachineFigures() for m in site.machines},
        links={x.name: LinkFigures() for x in site.links},
        flows={case.flow: FlowFigures() for case in basis.cases},
        loops={x.name: LoopFigures() for x in site.loops},
        power={name: battery.figures for name, battery in batteries.items()},
        assumptions=tuple(line for battery in batteries.values() for line in battery.assumptions),
        unseen=tuple(line for battery in batteries.values() for line in battery.missing),
    )


def _verdicts(basis: Basis, case: Case) -> Iterator[Verdict]:
    """The rungs' verdicts, each worked out when it is asked for."""
    for rung in RUNGS:
        judge = JUDGES.get(rung)
        yield UNSEEN if judge is None else judge(basis, case)
