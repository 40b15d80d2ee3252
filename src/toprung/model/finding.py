"""A finding: what is wrong, the packets that prove it, what it does to the robot, and what to change."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from toprung.model.ladder import Rung


class Severity(StrEnum):
    """What a finding does to the robot."""

    STOPS = "stops"  # a flow does not work
    HURTS = "hurts"  # a flow works, but not as the site wants it
    NOTE = "note"  # worth knowing; no fault


@dataclass(frozen=True, slots=True)
class Evidence:
    """A packet that shows something.  `time_s` counts from the first packet of that capture."""

    capture: str
    packet: int  # 1-based, as capture tools number packets
    time_s: float
    says: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault, however many flows it breaks."""

    code: str  # a cause of `toprung.model.causes`
    rung: Rung
    severity: Severity
    subject: str
    says: str  # one sentence: what is wrong
    effect: str  # one sentence: what that does to the robot
    evidence: tuple[Evidence, ...]
    remedies: tuple[str, ...]  # concrete words, best first
