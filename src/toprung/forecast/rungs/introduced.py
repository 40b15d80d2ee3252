"""Rung `introduced`: can both machines take the discovery that comes upon them?

What does not fit into a machine's memory (participants, endpoints) is never introduced.  A second that is
fuller than its budget of messages only makes a queue: the simulation tells whether that empties, and
whether sooner than a lease runs out.
"""

from __future__ import annotations

from collections.abc import Iterator

from toprung.forecast.discovery import MachineDiscovery
from toprung.forecast.rungs.basis import Basis, Case, mode_of
from toprung.forecast.simulation import HORIZON_S, MachineRun
from toprung.model.causes import CAUSES
from toprung.model.finding import Finding, Severity
from toprung.model.ladder import State
from toprung.model.site import DiscoveryMode
from toprung.model.verdict import HELD, UNSEEN, Verdict

CODE = "discovery-overload"


def judge_introduced(basis: Basis, case: Case) -> Verdict:
    """Whether neither end's machine is overloaded by discovery."""
    for end in case.ends:
        if (finding := overload(basis, end.machine)) is not None and finding.severity is not Severity.NOTE:
            return Verdict(State.BROKEN, finding)
    return _never(basis, case) or HELD


def overload(basis: Basis, machine: str) -> Finding | None:
    """The finding of one machine; a note where its queue empties in time.  Where nobody runs, none is due."""
    if not basis.speaks(machine):
        return None
    load, run = basis.discovery[machine], basis.runs.get(machine)
    if (says := _too_many(basis, load)) is not None:
        effect = f"Introductions with {machine} do not fit: some never happen."
        return _finding(basis, load, says, effect, Severity.STOPS)
    if run is not None and run.growing:
        return _finding(basis, load, _growing(load, run), _late(machine), Severity.STOPS)
    if not load.overloaded:
        return None
    if run is None:
        return _finding(basis, load, f"{load.says}.", _late(machine), Severity.HURTS)
    queue = f"Its queue is {run.backlog_s:.1f} s long at most, and empties."
    if run.backlog_s > basis.lease_s:
        return _finding(basis, load, f"{load.says}. {queue}", _late(machine), Severity.HURTS)
    effect = f"Introductions with {machine} come late: the last 5 % after {_seconds(run.introduced_p95_s)}."
    return _finding(basis, load, f"{load.says}. {queue}", effect, Severity.NOTE)


def _too_many(basis: Basis, load: MachineDiscovery) -> str | None:
    """What the machine's memory does not hold, in words."""
    budget, figures = basis.machines[load.machine].budget, load.figures
    if budget is None:
        return None
    for word, known, most in (
        ("participants", figures.known_participants, budget.participants),
        ("endpoints", figures.known_endpoints, budget.endpoints),
    ):
        if known is not None and most is not None and known > most:
            served = load.with_server < known and word == "participants"
            fewer = f"; with a central server it would be {load.with_server}" if served else ""
            return f"{load.machine} is the limit: {known:,} {word} against a budget of {most:,}{fewer}."
    return None


def _growing(load: MachineDiscovery, run: MachineRun) -> str:
    said = f"{load.says}. " if load.says else ""
    dropped = f", and {run.dropped:,.0f} datagrams are dropped" if run.dropped else ""
    return f"{said}{run.machine}'s queue of discovery messages grows without end{dropped}."


def _late(machine: str) -> str:
    return f"Introductions with {machine} come late, and its leases may lapse while it catches up."


def _seconds(value: float | None) -> str:
    return "never" if value is None else f"{value:.1f} s"


def _never(basis: Basis, case: Case) -> Verdict | None:
    """In the simulation the flow was not introduced before it ended."""
    times = None if basis.simulated is None else basis.simulated.flows.get(case.flow)
    if times is None or times[0] is not None:
        return None
    if not case.one_machine and not all(end.machine in basis.placed for end in case.ends):
        return UNSEEN  # the site does not say how they reach each other: then nothing was simulated of it
    slow = max((basis.runs[end.machine] for end in case.ends), key=lambda run: (run.dropped, run.backlog_s))
    return Verdict(
        State.BROKEN,
        _finding(
            basis, basis.discovery[slow.machine], _never_says(slow), _late(slow.machine), Severity.STOPS
        ),
    )


def _never_says(run: MachineRun) -> str:
    """Why introductions with a machine had not come to an end."""
    late = f"{HORIZON_S:.0f} s after power-on not everybody is introduced to {run.machine}: "
    if run.dropped:
        return (
            f"{late}it loses {run.dropped:,.0f} datagrams that come faster than its sockets' buffers empty."
        )
    if run.backlog_s >= 1:
        return f"{late}it has up to {run.backlog_s:.1f} s of discovery messages before it."
    return f"{late}too much is lost on the way."


def _finding(basis: Basis, load: MachineDiscovery, says: str, effect: str, severity: Severity) -> Finding:
    remedies = tuple(_remedies(basis, load))
    return Finding(CODE, CAUSES[CODE][0], severity, load.machine, says, effect, (), remedies)


def _remedies(basis: Basis, load: MachineDiscovery) -> Iterator[str]:
    """What would spare the machine, best first."""
    name, budget = load.machine, basis.machines[load.machine].budget
    known = load.figures.known_participants or 0
    own = [p for p in basis.site.participants if p.machine == name]
    served = all(mode_of(p) is DiscoveryMode.SERVER for p in own)
    if not served and load.with_server < known:
        fits = budget is None or budget.participants is None or load.with_server <= budget.participants
        yield (
            f"Let everybody discover through a central server (`discovery: {{server: ADDRESS:PORT}}`): "
            f"{name} would know {load.with_server} participants instead of {known}"
            + ("." if fits else ", which is still too many.")
        )
    yield f"Spare {name} the traffic of others: a domain of its own, or peers lists with the few it needs."
    if _too_many(basis, load) is None:
        yield "Start the participants one after the other rather than all at once."
    yield f"Or give {name} a controller that can take more, and say so in its budget."
