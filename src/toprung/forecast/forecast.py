"""Site -> forecast: every part worked out, every flow judged, every limit named."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from toprung.forecast import simulation
from toprung.forecast.filling import flow_figures, link_figures, machine_figures
from toprung.forecast.notes import notes
from toprung.forecast.power import Endurance, power_of
from toprung.forecast.reach import reach_of
from toprung.forecast.remarks import assumption, remarks
from toprung.forecast.result import Forecast
from toprung.forecast.rungs.basis import Basis, Case
from toprung.forecast.rungs.flowing import judge_flowing
from toprung.forecast.rungs.heard import judge_heard
from toprung.forecast.rungs.introduced import judge_introduced
from toprung.forecast.rungs.matched import judge_matched
from toprung.forecast.rungs.path import judge_path
from toprung.forecast.rungs.timely import judge_timely
from toprung.forecast.taken import assumptions, more_keys, unseen
from toprung.model.ladder import RUNGS, Ladder, Rung
from toprung.model.site import Site
from toprung.model.verdict import Findings, Verdict, climb

SEEDS = simulation.SEEDS
JUDGES: dict[Rung, Callable[[Basis, Case], Verdict]] = {
    Rung.PATH: judge_path,
    Rung.HEARD: judge_heard,
    Rung.INTRODUCED: judge_introduced,
    Rung.MATCHED: judge_matched,
    Rung.FLOWING: judge_flowing,
    Rung.TIMELY: judge_timely,
}


def forecast(site: Site, *, simulate: bool = True, seeds: Sequence[int] = SEEDS) -> Forecast:
    """What to expect of the site before power-on.

    simulate: also run its discovery, once for each seed, for the time until everybody is introduced and for
    queues that grow; without it both stay unknown, and a fullest second above a budget is taken for a fault.
    """
    reach = reach_of(site)
    ran = simulation.simulate(site, reach, seeds=seeds) if simulate else None
    basis = Basis(site, reach, ran)
    findings = Findings()
    climbs = tuple(climb(case.flow, _verdicts(basis, case), findings) for case in basis.cases)
    for note in notes(basis):
        findings.enter(note)
    batteries = power_of(site)
    return Forecast(
        site=site,
        ladder=Ladder(climbs),
        findings=findings.entered(),
        machines={m.name: machine_figures(basis, m.name) for m in site.machines},
        links={x.name: link_figures(basis, x) for x in site.links},
        flows={case.flow: flow_figures(basis, case) for case in basis.cases},
        loops={name: loop.figures for name, loop in basis.loops.items()},
        power={name: battery.figures for name, battery in batteries.items()},
        terms={name: loop.terms for name, loop in basis.loops.items()},
        remarks=remarks(basis),
        assumptions=tuple(dict.fromkeys(_taken(basis, batteries.values()))),
        unseen=tuple(_unseen(basis, batteries.values())),
    )


def _verdicts(basis: Basis, case: Case) -> Iterator[Verdict]:
    """The rungs' verdicts, each worked out when it is asked for."""
    return (JUDGES[rung](basis, case) for rung in RUNGS)


def _taken(basis: Basis, batteries: Iterable[Endurance]) -> Iterator[str]:
    yield from assumptions(basis)
    for loop in basis.loops.values():
        yield from loop.assumptions
    yield from assumption(basis)
    for battery in batteries:
        yield from battery.assumptions


def _unseen(basis: Basis, batteries: Iterable[Endurance]) -> Iterator[str]:
    yield from unseen(basis)
    parts = [loop.missing for loop in basis.loops.values()] + [battery.missing for battery in batteries]
    yield from more_keys(key for part in parts for key in part)
