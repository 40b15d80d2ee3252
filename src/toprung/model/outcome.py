"""What a forecast and an observation have in common: a site, its ladder, and the findings that explain it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from toprung.model.finding import Finding, Severity
from toprung.model.ladder import RUNGS, Ladder, State

if TYPE_CHECKING:
    from toprung.model.site import Site


class Outcome:
    """Read-only answers that every outcome gives."""

    __slots__ = ()

    if TYPE_CHECKING:  # fields of the dataclasses that inherit this

        @property
        def site(self) -> Site: ...
        @property
        def ladder(self) -> Ladder: ...
        @property
        def findings(self) -> tuple[Finding, ...]: ...

    @property
    def has_findings(self) -> bool:
        """Whether anything stops or hurts; a note does neither."""
        return any(f.severity is not Severity.NOTE for f in self.findings)

    def count(self, state: State) -> int:
        """Flows of which a rung is in this state."""
        return sum(state in climb.states for climb in self.ladder.climbs)

    @property
    def whole(self) -> int:
        """Flows on their top rung."""
        return sum(climb.states == (State.HELD,) * len(RUNGS) for climb in self.ladder.climbs)

    @property
    def short(self) -> int:
        """Flows that are not broken and of which something is unseen."""
        return sum(State.UNSEEN in c.states and State.BROKEN not in c.states for c in self.ladder.climbs)

    def flows_of(self, finding: int) -> tuple[str, ...]:
        """The flows that a finding keeps down, by name."""
        return tuple(str(c.flow) for c in self.ladder.climbs if finding in c.findings)
