"""The parts' results as figures: the nouns that an observation fills, too."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

from toprung.forecast.latency import Latency
from toprung.forecast.rungs.basis import Basis, Case
from toprung.model.figures import FlowFigures, LinkFigures, MachineFigures
from toprung.model.site import Link


def machine_figures(basis: Basis, machine: str) -> MachineFigures:
    """Discovery at one machine; how long introductions take comes from the simulation."""
    figures, run = basis.discovery[machine].figures, basis.runs.get(machine)
    if not basis.speaks(machine):
        return replace(figures, budget_use=None, limit=None)  # what comes there is listened to by nobody
    if run is None:
        return figures
    return replace(figures, introduced_p50_s=run.introduced_p50_s, introduced_p95_s=run.introduced_p95_s)


def link_figures(basis: Basis, link: Link) -> LinkFigures:
    """What a link carries; its delay is that of the samples that cross it alone."""
    traffic = basis.traffic.links[link.name]
    delays = basis.alone.get(link.name, ())
    declared = None if link.delay_ns is None else link.delay_ns / 1e9
    return LinkFigures(
        bytes_per_s=traffic.payload_bytes_per_s,
        air_time=traffic.air_time,
        busy=traffic.busy,
        loss=link.loss,
        delay_s=sum(delays) / len(delays) if delays else declared,
    )


def flow_figures(basis: Basis, case: Case) -> FlowFigures:
    """A flow's samples on arrival; nothing is said of one that has no way, or does not match."""
    found, latency = basis.traffic.flows.get(case.flow), basis.latencies.get(case.flow)
    times = None if basis.simulated is None else basis.simulated.flows.get(case.flow)
    introduced = None if times is None else times[0]
    if found is None or found.copy is None:
        return FlowFigures(introduced_after_s=introduced)
    loss = found.loss if found.rounds is None or latency is None else latency.lost
    rate = case.declared.rate_hz
    return FlowFigures(
        rate_hz=None if rate is None else rate * (1 - loss),
        loss=loss,
        age_typical_s=_finite(latency, "typical_s"),
        age_worst_s=_finite(latency, "worst_s"),
        introduced_after_s=introduced,
    )


def _finite(latency: Latency | None, which: str) -> float | None:
    """An age; None where it is unknown, or without bound."""
    age: float | None = None if latency is None else getattr(latency, which)
    return age if age is not None and isfinite(age) else None
