"""What a reading came to: the one argument of every drawing."""

from __future__ import annotations

from dataclasses import dataclass

from toprung.model.finding import Finding, Severity
from toprung.model.ladder import RUNGS, Ladder, State
from toprung.model.picture import Picture
from toprung.model.site import Site
from toprung.observe.cast import Cast


@dataclass(frozen=True, slots=True)
class Observed:
    """`site` is the declared one, `given` tells whether anybody declared it or it was drafted."""

    site: Site
    given: bool
    picture: Picture
    cast: Cast
    ladder: Ladder
    findings: tuple[Finding, ...]

    @property
    def has_findings(self) -> bool:
        """Whether anything stops or hurts; a note does neither."""
        return any(f.severity is not Severity.NOTE for f in self.findings)

    @property
    def seconds(self) -> float:
        """From the first packet of any capture to the last."""
        views = [v for v in self.picture.views if v.packets]
        return (max(v.last_ns for v in views) - min(v.first_ns for v in views)) / 1e9 if views else 0.0

    def count(self, state: State) -> int:
        """Flows of which a rung is in this state."""
        return sum(state in climb.states for climb in self.ladder.climbs)

    @property
    def whole(self) -> int:
        """Flows on their top rung."""
        return sum(climb.states == (State.HELD,) * len(RUNGS) for climb in self.ladder.climbs)

    def flows_of(self, finding: int) -> tuple[str, ...]:
        """The flows that a finding keeps down, by name."""
        return tuple(str(c.flow) for c in self.ladder.climbs if finding in c.findings)
