"""Rung `introduced`: can both machines take the discovery that comes upon them?"""

from __future__ import annotations

from collections.abc import Iterator

from toprung.forecast.discovery import MachineDiscovery
from toprung.forecast.rungs.basis import Basis, Case, mode_of
from toprung.model.finding import Severity
from toprung.model.site import DiscoveryMode, Machine
from toprung.model.verdict import HELD, Verdict, broken

STATE = frozenset({"participants", "endpoints"})  # limits of memory: what does not fit is never introduced


def judge_introduced(basis: Basis, case: Case) -> Verdict:
    """Whether neither end's machine is overloaded by discovery."""
    for end in case.ends:
        load = basis.discovery[end.machine]
        if load.overloaded:
            return _overload(basis, basis.machines[end.machine], load)
    return HELD


def _overload(basis: Basis, machine: Machine, load: MachineDiscovery) -> Verdict:
    stops = load.figures.limit in STATE
    return broken(
        "discovery-overload",
        machine.name,
        f"{load.says}.",
        f"Introductions with {machine.name} {'do not fit: some never happen' if stops else 'come late'}"
        f"{'' if stops else ', and its leases may lapse while it catches up'}.",
        (),
        tuple(_remedies(basis, machine, load)),
        Severity.STOPS if stops else Severity.HURTS,
    )


def _remedies(basis: Basis, machine: Machine, load: MachineDiscovery) -> Iterator[str]:
    """What would spare the machine, best first."""
    budget = machine.budget
    known = load.figures.known_participants or 0
    served = all(
        mode_of(p) is DiscoveryMode.SERVER for p in basis.site.participants if p.machine == machine.name
    )
    if not served and load.with_server < known:
        fits = budget is None or budget.participants is None or load.with_server <= budget.participants
        yield (
            f"Let everybody discover through a central server (`discovery: {{server: ADDRESS:PORT}}`): "
            f"{machine.name} would know {load.with_server} participants instead of {known}"
            + ("." if fits else ", which is still too many.")
        )
    yield (
        f"Spare {machine.name} the traffic of others: a domain of its own, or peers lists with the few that "
        "it needs."
    )
    if load.figures.limit not in STATE:
        yield "Start the participants one after the other rather than all at once."
    yield f"Or give {machine.name} a controller that can take more, and say so in its budget."
