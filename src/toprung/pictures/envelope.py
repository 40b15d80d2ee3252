"""The reading as JSON, version 1: keys never change, what one cannot tell is null."""

from __future__ import annotations

from typing import Any

from toprung.diagnose.observed import Observed
from toprung.model.figures import LinkFigures, MachineFigures
from toprung.model.finding import Finding
from toprung.model.ladder import RUNGS, Climb
from toprung.pictures.figures import link_figures, machine_figures

VERSION = 1
_LOOP_KEYS = (
    "age_worst_s",
    "age_typical_s",
    "reaction_s",
    "safe_speed_m_per_s",
    "stopping_distance_m",
    "watchdog_distance_m",
)
_DISCOVERY_KEYS = (
    "window_s",
    "datagrams_in",
    "datagrams_out",
    "bytes_in",
    "bytes_out",
    "steady_datagrams_in_per_s",
    "steady_bytes_in_per_s",
    "peak_datagrams_in_per_s",
)


def envelope(observed: Observed) -> dict[str, Any]:
    """Plain data for `json.dumps`."""
    site = observed.site
    return {
        "toprung": VERSION,
        "kind": "observed",
        "site": site.name if observed.given else None,
        "flows": [_flow(climb) for climb in observed.ladder.climbs],
        "findings": [_finding(finding) for finding in observed.findings],
        "machines": {m.name: _machine(machine_figures(observed, m)) for m in site.machines},
        "links": {x.name: _link(link_figures(observed, x)) for x in site.links},
        "loops": {x.name: dict.fromkeys(_LOOP_KEYS) for x in site.loops},
    }


def _flow(climb: Climb) -> dict[str, Any]:
    return {
        "topic": climb.flow.topic,
        "from": climb.flow.writer,
        "to": climb.flow.reader,
        "rungs": {str(rung): str(state) for rung, state in zip(RUNGS, climb.states, strict=True)},
        "broken_at": None if climb.broken_at is None else str(climb.broken_at),
        "cause": climb.cause,
        "findings": list(climb.findings),
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
            {"capture": e.capture, "packet": e.packet, "time": round(e.time_s, 6), "says": e.says}
            for e in finding.evidence
        ],
        "remedies": list(finding.remedies),
    }


def _machine(figures: MachineFigures) -> dict[str, Any]:
    return {
        "known_participants": figures.known_participants,
        "known_endpoints": figures.known_endpoints,
        "discovery": {key: getattr(figures.discovery, key, None) for key in _DISCOVERY_KEYS},
        "introduced_after_s": {"p50": figures.introduced_p50_s, "p95": figures.introduced_p95_s},
        "budget_use": figures.budget_use,
        "limit": figures.limit,
    }


def _link(figures: LinkFigures) -> dict[str, Any]:
    return {
        "bytes_per_s": figures.bytes_per_s,
        "air_time": None,
        "busy": None,
        "loss": figures.loss,
        "delay_s": figures.delay_s,
    }
