"""Discrete-event simulation of discovery: how long until everybody is introduced, and who is overloaded.

Participants follow their library's measured rules (`toprung.forecast.profile.Rules`); datagrams cross with
the links' delays and losses; each machine serves what it gets one datagram after the other, in the order in
which they were sent, and drops what finds its socket buffers full.  Whom nothing was heard of for a lease is
forgotten and has to be met anew.  Seeds vary the starts and the losses.

Not in it: probes of ports where nobody listens.  Clients of a central server are introduced by its measured
rule (`toprung.forecast.central`), without loss or queues.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toprung.forecast._events import Events
from toprung.forecast._simulation import Simulation
from toprung.forecast._transit import Transit
from toprung.forecast.announcing import Sizes
from toprung.forecast.central import introduced_at, partners_of
from toprung.forecast.company import SPREAD_S, Company, Floats, company_of, gathered, mode_of
from toprung.forecast.exchange import MISSED, Exchange
from toprung.forecast.introducing import PMD, bulk_of
from toprung.forecast.lines import links_of
from toprung.forecast.profile import Profile
from toprung.forecast.reach import Reach
from toprung.forecast.simulating import GLOBAL, QUEUES, SWEEP_S, Kind, Rule, Status
from toprung.model.ladder import Flow
from toprung.model.site import DiscoveryMode, Machine, Site

HORIZON_S = 30.0
SEEDS = (1, 2, 3, 4, 5)
SERVICE_S = 50e-6  # of a machine without a budget; measured: 20,000 discovery datagrams a second on one core
SOCKET_BYTES = 212_992  # Linux, net.core.rmem_default
DATAGRAM_BYTES = 1280  # what one of some 500 bytes takes of it: the kernel's buffer and its own head
GROWING_S = 1.0  # a queue of so many seconds' work, and more each second


@dataclass(frozen=True, slots=True)
class MachineRun:
    """What became of one machine over all runs."""

    machine: str
    introduced_p50_s: float | None  # until its participants have everything of everybody they meet
    introduced_p95_s: float | None
    dropped: float  # datagrams, mean of the runs
    backlog_s: float  # longest queue, in seconds of work
    growing: bool  # the queue grew to the end


@dataclass(frozen=True, slots=True)
class Simulated:
    """All runs together.  Times count from the first start."""

    machines: tuple[MachineRun, ...]
    flows: Mapping[Flow, tuple[float | None, float | None]]  # p50, p95 of the time until it is introduced
    lapses: float  # times that somebody forgot somebody, mean of the runs
    unfinished: float  # ordered pairs that were not introduced in time, mean of the runs
    events: int  # of all runs
    sent: Floats  # (runs, machines) datagrams
    received: Floats

    @cached_property
    def overloaded(self) -> tuple[str, ...]:
        """Machines whose queue grew without end or that dropped what others had to repeat."""
        return tuple(m.machine for m in self.machines if m.growing)


@dataclass(frozen=True)
class Run:
    """One run's raw outcome.  `has_at`: (n, n) seconds, [a, b] when a had all endpoints of b; -1: never."""

    company: Company
    has_at: NDArray[np.float64]
    lapses: int
    missing: int
    events: int
    sent: NDArray[np.int64]
    received: NDArray[np.int64]
    dropped: NDArray[np.int64]
    backlog: NDArray[np.float64]


def simulate(
    site: Site,
    reach: Reach,
    *,
    seeds: Sequence[int] = SEEDS,
    horizon_s: float = HORIZON_S,
    starts_s: Mapping[str, float] | None = None,
    late_s: Mapping[str, float] | None = None,
) -> Simulated:
    """Run the site's discovery once for each seed.

    starts_s: when each participant starts; else at random within a second.  late_s: how long after that
    its endpoints are made (seconds).
    """
    runs, served = [], []
    clients = [p for p in site.participants if mode_of(p) is DiscoveryMode.SERVER]
    for seed in seeds:
        starts = starts_s if starts_s is not None else _starts(site, seed)
        company = company_of(site, reach, starts_s=starts, late_s=late_s)
        runs.append(run(company, seed, horizon_s))
        if clients:
            served.append(_served(gathered(site, reach, clients, starts, late_s), runs[-1]))
    return _together(site, runs, served)


def _served(company: Company, run: Run) -> Run:
    """Clients of a central server beside a run of all others; their messages are not simulated."""
    partners = partners_of(company.site)
    names = [p.name for p in company.participants]
    meets = np.array([[other in partners.get(name, {}) for other in names] for name in names], bool)
    return replace(
        run, company=replace(company, meets=meets.reshape(len(names), -1)), has_at=introduced_at(company)
    )


def _starts(site: Site, seed: int) -> dict[str, float]:
    dice = np.random.default_rng(seed)
    times = dice.uniform(0.0, SPREAD_S, len(site.participants))
    return {
        p.name: float(t) for p, t in zip(site.participants, times - times.min(initial=SPREAD_S), strict=True)
    }


def run(company: Company, seed: int, horizon_s: float, *, introduced: bool = False) -> Run:
    """One run to the horizon, or until all is introduced if that is enough."""
    return Prepared(company, seed, horizon_s).go(introduced)


class Prepared:
    """A run that is ready to go."""

    def __init__(self, company: Company, seed: int, horizon_s: float) -> None:
        self.company = company
        self.horizon_s = horizon_s
        self.arrays = tables_of(company, horizon_s)
        self.records = _records(8 * company.count + 1024)
        if company.count:
            self.events = Events(self.records, queues_of(company))
            transit = Transit(self.arrays, seed)
            self.simulation = Simulation(self.events, transit, self.arrays, int(company.meets.sum()))
            self._plan(Kind.START, company.starts_s)
            self._plan(Kind.MADE, company.starts_s + company.late_s)
            self.simulation.plan(Kind.SWEEP, [0], [SWEEP_S])

    def _plan(self, kind: Kind, times_s: Floats) -> None:
        order = np.argsort(times_s, kind="stable")
        self.simulation.plan(kind, order.tolist(), times_s[order].tolist())

    def go(self, introduced: bool = False) -> Run:
        """To the horizon, or until all is introduced if that is enough."""
        if not self.company.count:
            return _run_of(self.company, self.arrays, 0, 0, 0)
        while self.simulation.run(self.horizon_s, introduced) == Status.FULL:
            self.records = _grown(self.records)
            self.events.attach(self.records)
        done = self.simulation
        return _run_of(self.company, self.arrays, done.lapses, done.missing, done.steps)


def _run_of(company: Company, arrays: dict[str, Any], lapses: int, missing: int, events: int) -> Run:
    return Run(
        company,
        arrays["has_at"].reshape(company.count, company.count),
        lapses,
        missing,
        events,
        arrays["sent"],
        arrays["received"],
        arrays["dropped"],
        arrays["backlog"],
    )


def _records(count: int) -> dict[str, Any]:
    return {"times": np.zeros(count), "words": np.zeros(count, "i8"), "after": np.zeros(count, "i8")}


def _grown(records: dict[str, Any]) -> dict[str, Any]:
    return {name: np.concatenate([array, np.zeros_like(array)]) for name, array in records.items()}


def queues_of(company: Company) -> dict[str, Any]:
    """Timers' queues, and one a machine."""
    count = len(GLOBAL) + len(libraries_of(company)) * QUEUES + len(company.site.machines)
    return {"head": np.full(count, -1, "i8"), "tail": np.full(count, -1, "i8"), "heap": np.zeros(count, "i8")}


def libraries_of(company: Company) -> tuple[Profile, ...]:
    """The different profiles of a company."""
    return tuple(dict.fromkeys(company.profiles))


def tables_of(company: Company, horizon_s: float) -> dict[str, Any]:
    """Everything that the kernel reads and writes, by the names of its fields."""
    n, machines = company.count, company.site.machines
    libraries = libraries_of(company)
    latency, passes = links_of(company.site)
    latency += np.mean([p.rules.reaction_s for p in company.profiles]) if n else 0.0
    service = np.array([service_of(m) for m in machines])
    exchange = Exchange(company)
    whole: dict[str, Any] = {
        "host": company.machine.copy(),
        "library": np.array([libraries.index(p) for p in company.profiles], "i8"),
        "casts": np.array([mode is DiscoveryMode.MULTICAST for mode in company.modes], "i8"),
        "data": np.maximum(1, np.rint(bulk_of(exchange)[0])).astype("i8"),
        "fresh": np.maximum(1, company.endpoints),
        "hears": company.hears.astype("u1").ravel(),
        "latency": latency,
        "passes": passes,
        "resolved": np.full_like(latency, -1.0),
        "service": service,
        "room": service * (SOCKET_BYTES // DATAGRAM_BYTES),
        "rules": np.array([rules_row(p) for p in libraries]).reshape(len(libraries), len(Rule)),
        "backlog": np.zeros((len(machines), int(horizon_s / SWEEP_S) + 1)),
    }
    for name in ("made", "up", "left", "knows", "unsure", "armed"):
        whole[name] = np.zeros(n, "i8")
    for name in ("sent", "received", "dropped", "stamp"):
        whole[name] = np.zeros(len(machines), "i8")
    whole["greeted"] = np.full(n, -1e9)
    whole["free"] = np.zeros(len(machines))
    whole["pair"] = np.zeros(n * n, "u1")
    whole["known_by"] = np.zeros(n * n, "u1")
    whole["heard"] = np.zeros(n * n, "f4")
    whole["has_at"] = np.full(n * n, -1.0, "f4")
    return whole


def service_of(machine: Machine) -> float:
    """Seconds that a machine needs for one datagram."""
    messages = machine.budget.messages_hz if machine.budget else None
    return 1 / messages if messages else SERVICE_S


def rules_row(profile: Profile) -> list[float]:
    """A profile's rules as the kernel takes them, in the order of `Rule`."""
    rules, sizes = profile.rules, Sizes(profile)
    answers = rules.answers_s
    first = rules.first_announcements_s

    def weight(size: tuple[float, float]) -> int:
        return max(0, round(size[0]))

    said = {
        Rule.FIRST: len(first),
        Rule.BURST_S: first[1] - first[0] if len(first) > 1 else rules.period_s,
        Rule.PERIOD_S: rules.period_s,
        Rule.TO_KNOWN: rules.to_known,
        Rule.ON_MEETING: rules.on_meeting,
        Rule.REPLIES: len(answers),
        Rule.REPLY_S: answers[1] - answers[0] if len(answers) > 1 else 1.0,
        Rule.REST_S: rules.rest_s,
        Rule.GREET_S: rules.heartbeat_after_s,
        Rule.WAIT_S: rules.ask_after_s,
        Rule.CONFIRM_S: rules.confirm_after_s,
        Rule.LIVELY_S: rules.liveliness_period_s or 0.0,
        Rule.LEASE_S: rules.lease_s,
        Rule.ACKNOWLEDGES: rules.acknowledges,
        Rule.CAST_FROM: rules.multicast_from or 0,
        Rule.MISSED: MISSED if rules.digest_s else 0.0,
        Rule.PATIENCE: rules.patience,
        Rule.REMAINING: weight(sizes.heartbeats(rules.remaining)),
        Rule.ANSWERS: weight(sizes.acknacks(rules.remaining)),
        Rule.GREETING: weight(sizes.heartbeats(rules.heartbeats)),
        Rule.ASKING: weight(sizes.acknacks(rules.asks)),
        Rule.NACKING: weight(sizes.acknacks(rules.asks)),
        Rule.LITTLE: int(rules.lively),
        Rule.ACKING: weight(sizes.acknacks(rules.confirms)),
        Rule.CONFIRMING: weight(sizes.heartbeats(rules.confirms)),
        Rule.LIVING: int(rules.lively),
        Rule.LIVES: weight(sizes.acknacks(PMD)),
    }
    return [float(said[rule]) for rule in Rule]


def _together(site: Site, runs: list[Run], served: list[Run]) -> Simulated:
    machines = [m.name for m in site.machines]
    until = np.array([_machines_at(run, len(machines)) for run in runs])
    if served:
        others = np.array([_machines_at(run, len(machines)) for run in served])
        until = np.fmax(until, others)
    backlog = np.array([run.backlog for run in runs])
    dropped = np.array([run.dropped for run in runs]).mean(0)
    rows = []
    for row, name in enumerate(machines):
        times = until[:, row]
        queue = backlog[:, row].mean(0)
        growing = bool(queue[-2:].min(initial=np.inf) > GROWING_S and queue[-1] > queue[len(queue) // 2])
        quantiles = _quantiles(times)
        rows.append(MachineRun(name, *quantiles, float(dropped[row]), float(queue.max()), growing))
    return Simulated(
        tuple(rows),
        _flows(site, runs) | _flows(site, served),
        float(np.mean([run.lapses for run in runs])),
        float(np.mean([run.missing for run in runs])),
        sum(run.events for run in runs),
        np.array([run.sent for run in runs], "f8"),
        np.array([run.received for run in runs], "f8"),
    )


def _machines_at(run: Run, machines: int) -> Floats:
    """When each machine's participants had everything; NaN: no participant that meets any; inf: never."""
    meets = run.company.meets
    waits = np.where(meets & (run.has_at < 0), np.inf, np.where(meets, run.has_at, -np.inf)).max(
        1, initial=-np.inf
    )
    at = np.full(machines, -np.inf)
    np.maximum.at(at, run.company.machine, waits)
    return np.where(np.isneginf(at), np.nan, at)


def _flows(site: Site, runs: list[Run]) -> dict[Flow, tuple[float | None, float | None]]:
    """A flow is introduced once each side has the other's endpoints."""
    found: dict[Flow, list[float]] = {}
    flows = [(flow.flow, flow.writer, flow.reader) for flow in site.flows()]
    for run in runs:
        rows = {p.name: row for row, p in enumerate(run.company.participants)}
        both = np.where(run.has_at < 0, np.inf, run.has_at)
        both = np.maximum(both, both.T)
        for flow, writer, reader in flows:
            if writer in rows and reader in rows and writer != reader:
                found.setdefault(flow, []).append(float(both[rows[writer], rows[reader]]))
    return {flow: _quantiles(np.array(times)) for flow, times in found.items()}


def _quantiles(times: Floats) -> tuple[float | None, float | None]:
    if not len(times) or np.isnan(times).any():
        return None, None
    low, high = np.quantile(times, [0.5, 0.95], method="inverted_cdf")
    return (float(low) if np.isfinite(low) else None), (float(high) if np.isfinite(high) else None)
