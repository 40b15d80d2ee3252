"""Site -> forecast: every part worked out, every flow judged, every limit named."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from toprung.forecast.power import Endurance, power_of
from toprung.forecast.reach import reach_of
from toprung.forecast.result import Forecast
from toprung.forecast.rungs.basis import Basis, Case
from toprung.forecast.rungs.flowing import judge_flowing
from toprung.forecast.rungs.heard import judge_heard
from toprung.forecast.rungs.matched import judge_matched
from toprung.forecast.rungs.path import judge_path
from toprung.forecast.taken import assumptions, more_keys, unseen
from toprung.forecast.traffic import LinkTraffic
from toprung.model.figures import FlowFigures, LinkFigures, LoopFigures, MachineFigures
from toprung.model.ladder import RUNGS, Ladder, Rung
from toprung.model.site import Site
from toprung.model.verdict import UNSEEN, Findings, Verdict, climb

SEEDS = tuple(range(1, 6))  # of the simulation of discovery
JUDGES: dict[Rung, Callable[[Basis, Case], Verdict]] = {
    Rung.PATH: judge_path,
    Rung.HEARD: judge_heard,
    Rung.MATCHED: judge_matched,
    Rung.FLOWING: judge_flowing,
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
        links={x.name: _link(basis.traffic.links[x.name]) for x in site.links},
        flows={case.flow: FlowFigures() for case in basis.cases},
        loops={x.name: LoopFigures() for x in site.loops},
        power={name: battery.figures for name, battery in batteries.items()},
        assumptions=tuple(dict.fromkeys(_taken(basis, batteries.values()))),
        unseen=tuple(_unseen(basis, batteries.values())),
    )


def _taken(basis: Basis, batteries: Iterable[Endurance]) -> Iterator[str]:
    yield from assumptions(basis)
    for battery in batteries:
        yield from battery.assumptions


def _unseen(basis: Basis, batteries: Iterable[Endurance]) -> Iterator[str]:
    yield from unseen(basis)
    yield from more_keys(key for battery in batteries for key in battery.missing)


def _link(traffic: LinkTraffic) -> LinkFigures:
    link = traffic.link
    return LinkFigures(
        bytes_per_s=traffic.payload_bytes_per_s,
        air_time=traffic.air_time,
        busy=traffic.busy,
        loss=link.loss,
        delay_s=None if link.delay_ns is None else link.delay_ns / 1e9,
    )


def _verdicts(basis: Basis, case: Case) -> Iterator[Verdict]:
    """The rungs' verdicts, each worked out when it is asked for."""
    for rung in RUNGS:
        judge = JUDGES.get(rung)
        yield UNSEEN if judge is None else judge(basis, case)
