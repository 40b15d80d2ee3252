"""Rung `timely`: are samples as young as the flow's `within`, and do loops react in time?"""

from __future__ import annotations

from math import isfinite

from toprung.forecast.latency import Latency
from toprung.forecast.rungs.basis import Basis, Case
from toprung.model.finding import Severity
from toprung.model.ladder import State
from toprung.model.verdict import HELD, UNSEEN, Verdict, broken

CAUTION = (
    "Stopping distances grow with every delay; check the base's watchdog before it moves, under your local "
    "safety rules and with a qualified person."
)


def judge_timely(basis: Basis, case: Case) -> Verdict:
    """Whether the flow's samples are young enough, and the loops that they belong to quick enough."""
    verdict = _age(basis, case)
    slow = basis.slow_loops.get(case.flow)
    return verdict if verdict.finding is not None or slow is None else Verdict(State.BROKEN, slow)


def _age(basis: Basis, case: Case) -> Verdict:
    if case.declared.within_ns is None:
        return HELD
    latency, within_s = basis.latencies.get(case.flow), case.declared.within_ns / 1e9
    if latency is None:
        return UNSEEN
    return HELD if latency.worst_s <= within_s else _late(case, latency, within_s)


def _late(case: Case, latency: Latency, within_s: float) -> Verdict:
    usual = latency.typical_s > within_s
    limit = latency.limit
    step = "" if limit is None else f" Most of it: {limit.says}, {_ms(limit.worst_s)} at worst."
    ages = (
        f"usually {_ms(latency.typical_s)} old when they arrive, {_ms(latency.worst_s)} at worst"
        if usual
        else f"up to {_ms(latency.worst_s)} old when they arrive, usually {_ms(latency.typical_s)}"
    )
    where = "the queue" if limit is None else f"what takes most ({limit.says})"
    return broken(
        "late",
        str(case.flow),
        f"Samples of {case.declared.topic} are {ages}; allowed are {_ms(within_s)}.{step}",
        f"{case.reader.name} {'acts' if usual else 'may act'} on the past. {CAUTION}",
        (),
        (
            f"Shorten {where}: less or smaller data on the way, a faster link, fewer losses.",
            f"Or allow {_ms(latency.worst_s)}, if the loops that use the topic can bear it."
            if isfinite(latency.worst_s)
            else "Or make the topic best effort, so that what is lost is not waited for.",
        ),
        Severity.HURTS,
    )


def _ms(seconds: float) -> str:
    if not isfinite(seconds):
        return "without bound"
    return f"{seconds * 1e3:.0f} ms" if seconds < 1 else f"{seconds:.2f} s"
