"""An outcome as JSON, version 1: keys never change, what one cannot tell is null.

Forecast and observation have the same keys, so that a program reads both alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toprung.diagnose.observed import Observed
from toprung.forecast.result import Forecast
from toprung.model.figures import Figures, FlowFigures, LinkFigures, LoopFigures, MachineFigures, PowerFigures
from toprung.model.finding import Finding
from toprung.model.ladder import RUNGS, Climb
from toprung.pictures.figures import figures_of

VERSION = 1
SAMPLES_KEYS = ("rate_hz", "loss", "age_typical_s", "age_worst_s")
DISCOVERY_KEYS = (
    "window_s",
    "datagrams_in",
    "datagrams_out",
    "bytes_in",
    "bytes_out",
    "steady_datagrams_in_per_s",
    "steady_bytes_in_per_s",
    "peak_datagrams_in_per_s",
)
LINK_KEYS = ("bytes_per_s", "air_time", "busy", "loss", "delay_s")
LOOP_KEYS = (
    "age_worst_s",
    "age_typical_s",
    "reaction_s",
    "safe_speed_m_per_s",
    "stopping_distance_m",
    "watchdog_distance_m",
)
POWER_KEYS = (
    "power_w",
    "run_time_s",
    "charge_time_s",
    "dock_share",
    "home_wh",
    "home_time_s",
    "home_covered",
)


def envelope(outcome: Observed | Forecast) -> dict[str, Any]:
    """Plain data for `json.dumps`."""
    if isinstance(outcome, Forecast):
        told = _envelope("forecast", outcome.site.name, outcome, outcome.figures)
        return told | {"assumptions": list(outcome.assumptions), "unseen": list(outcome.unseen)}
    name = outcome.site.name if outcome.given else None
    return _envelope("observed", name, outcome, figures_of(outcome))


def _envelope(kind: str, site: str | None, outcome: Observed | Forecast, figures: Figures) -> dict[str, Any]:
    return {
        "toprung": VERSION,
        "kind": kind,
        "site": site,
        "flows": [_flow(climb, figures.flows.get(climb.flow)) for climb in outcome.ladder.climbs],
        "findings": [_finding(finding) for finding in outcome.findings],
        "machines": {name: _machine(f) for name, f in figures.machines.items()},
        "links": _listed(figures.links, LINK_KEYS),
        "loops": _listed(figures.loops, LOOP_KEYS),
        "power": _listed(figures.power, POWER_KEYS),
    }


def _listed(
    figures: Mapping[str, LinkFigures] | Mapping[str, LoopFigures] | Mapping[str, PowerFigures],
    keys: tuple[str, ...],
) -> dict[str, Any]:
    return {name: {key: getattr(f, key) for key in keys} for name, f in figures.items()}


def _flow(climb: Climb, figures: FlowFigures | None) -> dict[str, Any]:
    return {
        "topic": climb.flow.topic,
        "from": climb.flow.writer,
        "to": climb.flow.reader,
        "rungs": {str(rung): str(state) for rung, state in zip(RUNGS, climb.states, strict=True)},
        "broken_at": None if climb.broken_at is None else str(climb.broken_at),
        "cause": climb.cause,
        "findings": list(climb.findings),
        "introduced_after_s": None if figures is None else figures.introduced_after_s,
        "samples": {key: getattr(figures, key, None) for key in SAMPLES_KEYS},
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code,
        "rung": str(finding.rung),
        "severity": str(finding.severity),
        "subject": finding.subject,
        "says": finding.says,
        "effect": finding.effect,
        "evidence": [
            {
                "capture": e.capture,
                "packet": e.packet or None,
                "time": round(e.time_s, 6) if e.packet else None,
                "says": e.says,
            }
            for e in finding.evidence
        ],
        "remedies": list(finding.remedies),
    }


def _machine(figures: MachineFigures) -> dict[str, Any]:
    return {
        "known_participants": figures.known_participants,
        "known_endpoints": figures.known_endpoints,
        "discovery": {key: getattr(figures.discovery, key, None) for key in DISCOVERY_KEYS},
        "introduced_after_s": {"p50": figures.introduced_p50_s, "p95": figures.introduced_p95_s},
        "budget_use": figures.budget_use,
        "limit": figures.limit,
    }
