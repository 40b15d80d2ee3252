"""Discovery load at every machine: start-up, peak second, steady rate, state held, and what limits it.

Sums over all pairs (`toprung.forecast.introducing`); quantiles of the time to be introduced come from
`toprung.forecast.simulation`.  Assumed where nobody says otherwise: all participants start within a second,
in the file's order.  Traffic that a router passes on is not counted at the router.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from toprung.forecast.central import central, partners_of
from toprung.forecast.company import Bools, Company, Ints, company_of, endpoints_of, gathered, mode_of
from toprung.forecast.exchange import WINDOW_S, Exchange
from toprung.forecast.introducing import exchanged, steady
from toprung.forecast.reach import Reach
from toprung.model.figures import Discovery, MachineFigures
from toprung.model.site import DiscoveryMode, Machine, Site

SERVER = 1  # a client knows its server, too
Partners = Mapping[str, Mapping[str, int]]


@dataclass(frozen=True, slots=True)
class MachineDiscovery:
    """One machine's part; `says` names the limit if its budget does not suffice, else it is empty."""

    machine: str
    figures: MachineFigures
    with_server: int  # participants that it would have to know if a central server passed on what it uses
    says: str = ""

    @property
    def overloaded(self) -> bool:
        """Whether the machine's discovery has to take more than its budget."""
        return (self.figures.budget_use or 0.0) > 1.0


def discovery_of(
    site: Site,
    reach: Reach,
    *,
    starts_s: Mapping[str, float] | None = None,
    late_s: Mapping[str, float] | None = None,
) -> tuple[MachineDiscovery, ...]:
    """Every machine of the site, in its order.

    starts_s: when each participant starts; late_s: how long after that its endpoints are made (seconds).
    """
    company = company_of(site, reach, starts_s=starts_s, late_s=late_s)
    into, out = _window(company)
    after = _steady(company)
    clients = [p for p in site.participants if mode_of(p) is DiscoveryMode.SERVER]
    if clients:
        parts = central(gathered(site, reach, clients, starts_s, late_s), reach, WINDOW_S)
        into, out, after = into + parts.into, out + parts.out, after + parts.steady
    partners = partners_of(site)
    known = _known(site, company, partners)
    fewer = _with_server(site, partners)
    return tuple(
        _of_machine(machine, _figures(into[:, row], out[:, row], after[:, row]), known, fewer)
        for row, machine in enumerate(site.machines)
    )


def _window(company: Company) -> tuple[np.ndarray, np.ndarray]:
    return exchanged(Exchange(company)).at_machines()


def _steady(company: Company) -> np.ndarray:
    """(2, machines): datagrams and bytes a second that come in when everybody knows everybody."""
    into, _ = steady(Exchange(company, 1)).at_machines()
    return into[:, :, 0]


def _figures(into: np.ndarray, out: np.ndarray, after: np.ndarray) -> Discovery:
    return Discovery(
        window_s=float(WINDOW_S),
        datagrams_in=round(float(into[0].sum()), 1),
        datagrams_out=round(float(out[0].sum()), 1),
        bytes_in=round(float(into[1].sum())),
        bytes_out=round(float(out[1].sum())),
        steady_datagrams_in_per_s=round(float(after[0]), 3),
        steady_bytes_in_per_s=round(float(after[1]), 1),
        peak_datagrams_in_per_s=round(float(into[0].max(initial=0.0)), 1),
    )


@dataclass(frozen=True, slots=True)
class Known:
    """Participants and endpoints that a machine has to keep, its own included, by machine."""

    participants: Mapping[str, int]
    endpoints: Mapping[str, int]


def _known(site: Site, company: Company, partners: Partners) -> Known:
    """What each machine's participants know together."""
    names = [m.name for m in site.machines]
    knows = company.meets | np.eye(company.count, dtype=bool)
    held = _by_machine(company.machine, knows, len(names))
    participants = held.sum(1)
    endpoints = held @ company.endpoints
    counts = {n: (int(p), int(e)) for n, p, e in zip(names, participants, endpoints, strict=True)}
    own = endpoints_of(site) if company.count < len(site.participants) else {}
    served: dict[str, list[str]] = {}
    for participant in site.participants:
        if mode_of(participant) is DiscoveryMode.SERVER:
            served.setdefault(participant.machine, []).append(participant.name)
    for machine, clients in served.items():
        met = set(clients).union(*(partners.get(c, {}) for c in clients))
        used = sum(partners.get(c, {}).get(other, 0) for c in clients for other in met)
        endpoints_too = used + sum(len(own.get(c, ())) for c in clients)
        counts[machine] = counts[machine][0] + len(met) + SERVER, counts[machine][1] + endpoints_too
    return Known({n: c[0] for n, c in counts.items()}, {n: c[1] for n, c in counts.items()})


def _by_machine(machine: Ints, knows: Bools, machines: int) -> Bools:
    held = np.zeros((machines, knows.shape[1]), bool)
    np.logical_or.at(held, machine, knows)
    return held


def _with_server(site: Site, partners: Partners) -> dict[str, int]:
    """How many participants each machine would know with a central server: its own, their partners, it."""
    found = {}
    homes: dict[str, set[str]] = {}
    for participant in site.participants:
        homes.setdefault(participant.machine, set()).add(participant.name)
    for machine in site.machines:
        own = homes.get(machine.name, set())
        met = own.union(*(partners.get(name, {}) for name in own))
        found[machine.name] = len(met) + SERVER if own else 0
    return found


def _of_machine(
    machine: Machine, discovery: Discovery, known: Known, fewer: Mapping[str, int]
) -> MachineDiscovery:
    participants, endpoints = known.participants[machine.name], known.endpoints[machine.name]
    figures = MachineFigures(participants, endpoints, discovery)
    uses = _uses(machine, participants, endpoints, discovery)
    if not uses:
        return MachineDiscovery(machine.name, figures, fewer[machine.name])
    limit = max(uses, key=lambda name: uses[name][0] / uses[name][1])
    need, budget = uses[limit]
    figures = replace(figures, budget_use=round(need / budget, 4), limit=limit)
    says = _says(machine.name, limit, need, budget, fewer[machine.name]) if need > budget else ""
    return MachineDiscovery(machine.name, figures, fewer[machine.name], says)


def _uses(
    machine: Machine, participants: int, endpoints: int, discovery: Discovery
) -> dict[str, tuple[float, float]]:
    """(needed, budgeted) of everything that the machine's budget names."""
    budget = machine.budget
    if budget is None:
        return {}
    said = {
        "participants": (participants, budget.participants),
        "endpoints": (endpoints, budget.endpoints),
        "messages": (discovery.peak_datagrams_in_per_s, budget.messages_hz),
    }
    return {name: (need, most) for name, (need, most) in said.items() if most}


def _says(machine: str, limit: str, need: float, budget: float, fewer: int) -> str:
    unit = {"participants": "participants", "endpoints": "endpoints", "messages": "datagrams a second"}[limit]
    words = f"{machine} is the limit: {need:.0f} {unit} against a budget of {budget:.0f}"
    if limit == "participants" and fewer < need:
        words += f"; with a central server it would be {fewer}"
    return words
