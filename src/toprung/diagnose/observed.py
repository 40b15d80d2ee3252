"""What a reading came to: the one argument of every drawing of it."""

from __future__ import annotations

from dataclasses import dataclass

from toprung.model.finding import Finding
from toprung.model.ladder import Ladder
from toprung.model.outcome import Outcome
from toprung.model.picture import Picture
from toprung.model.site import Site
from toprung.observe.cast import Cast


@dataclass(frozen=True, slots=True)
class Observed(Outcome):
    """`site` is the declared one, `given` tells whether anybody declared it or it was drafted."""

    site: Site
    given: bool
    picture: Picture
    cast: Cast
    ladder: Ladder
    findings: tuple[Finding, ...]

    @property
    def seconds(self) -> float:
        """From the first packet of any capture to the last."""
        views = [v for v in self.picture.views if v.packets]
        return (max(v.last_ns for v in views) - min(v.first_ns for v in views)) / 1e9 if views else 0.0
