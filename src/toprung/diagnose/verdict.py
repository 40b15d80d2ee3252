"""What one rung's question about one flow comes to."""

from __future__ import annotations

from dataclasses import dataclass

from toprung.model.causes import CAUSES
from toprung.model.finding import Evidence, Finding, Severity
from toprung.model.ladder import State


@dataclass(frozen=True, slots=True)
class Verdict:
    """A rung's state; a broken one carries the finding that broke it."""

    state: State
    finding: Finding | None = None


HELD = Verdict(State.HELD)
UNSEEN = Verdict(State.UNSEEN)


def broken(
    code: str,
    subject: str,
    says: str,
    effect: str,
    evidence: tuple[Evidence, ...],
    remedies: tuple[str, ...],
    severity: Severity = Severity.STOPS,
) -> Verdict:
    """A broken rung; `code` is a cause of `toprung.model.causes`."""
    rung, _ = CAUSES[code]
    return Verdict(State.BROKEN, Finding(code, rung, severity, subject, says, effect, evidence, remedies))
