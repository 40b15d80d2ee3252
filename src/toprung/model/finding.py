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

    capture: str  # or the results of a probe
    packet: int  # 1-based, as capture tools number packets; 0: there is none to point at
    time_s: float
    says: str

    @property
    def place(self) -> str:
        """Where to look."""
        return f"{self.capture} packet {self.packet}, {self.time_s:.3f} s" if self.packet else self.capture


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
