"""Figures: what is said in numbers of a machine, a link, a flow, a loop or a battery, forecast or observed.

None where one cannot tell.  The same nouns for both kinds, so that they can stand side by side.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from toprung.model.ladder import Flow


@dataclass(frozen=True, slots=True)
class Discovery:
    """Discovery traffic at one machine, in UDP datagrams and their payload.

    The window begins with the first packet.  The steady rates are those after it; None where the evidence
    ends within.
    """

    window_s: float
    datagrams_in: float
    datagrams_out: float
    bytes_in: float
    bytes_out: float
    steady_datagrams_in_per_s: float | None
    steady_bytes_in_per_s: float | None
    peak_datagrams_in_per_s: float  # in the fullest second


@dataclass(frozen=True, slots=True)
class MachineFigures:
    """What a machine has to know and to take in."""

    known_participants: int | None = None  # its own included
    known_endpoints: int | None = None
    discovery: Discovery | None = None
    introduced_p50_s: float | None = None
    introduced_p95_s: float | None = None
    budget_use: float | None = None  # of the tightest limit
    limit: str | None = None  # which one that is: participants, endpoints, messages


@dataclass(frozen=True, slots=True)
class LinkFigures:
    """What a link carries.  `air_time` and `busy` are shares of the time, `loss` of the packets."""

    bytes_per_s: float | None = None  # UDP payload, each one-way stream once
    air_time: float | None = None  # sending; Wi-Fi only
    busy: float | None = None  # of the fuller direction; air: with silences, beacons and collisions
    loss: float | None = None
    delay_s: float | None = None


@dataclass(frozen=True, slots=True)
class FlowFigures:
    """How one flow's samples come."""

    rate_hz: float | None = None
    loss: float | None = None  # share of the samples that do not come whole
    age_typical_s: float | None = None  # of a sample on arrival
    age_worst_s: float | None = None
    introduced_after_s: float | None = None  # from power-on to the flow's introduction, at the median


@dataclass(frozen=True, slots=True)
class LoopFigures:
    """A loop's reaction, and what it means for the vehicle."""

    age_worst_s: float | None = None
    age_typical_s: float | None = None
    reaction_s: float | None = None
    safe_speed_m_per_s: float | None = None
    stopping_distance_m: float | None = None
    watchdog_distance_m: float | None = None


@dataclass(frozen=True, slots=True)
class PowerFigures:
    """A battery's endurance."""

    power_w: float | None = None  # all loads together
    run_time_s: float | None = None  # from full to the reserve
    charge_time_s: float | None = None  # from the reserve to full, in the dock
    dock_share: float | None = None  # of the time that is spent in the dock
    home_wh: float | None = None  # to come home from the farthest point
    home_time_s: float | None = None
    home_covered: bool | None = None  # whether the reserve lasts for that


@dataclass(frozen=True, slots=True)
class Figures:
    """All figures of a site, by the names of its parts."""

    machines: Mapping[str, MachineFigures] = field(default_factory=dict)
    links: Mapping[str, LinkFigures] = field(default_factory=dict)
    flows: Mapping[Flow, FlowFigures] = field(default_factory=dict)
    loops: Mapping[str, LoopFigures] = field(default_factory=dict)
    power: Mapping[str, PowerFigures] = field(default_factory=dict)
