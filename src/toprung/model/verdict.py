"""What one rung's question about one flow comes to, and how the answers make a climb."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from toprung.model.causes import CAUSES
from toprung.model.finding import Evidence, Finding, Severity
from toprung.model.ladder import RUNGS, Climb, Flow, Rung, State

MOST_EVIDENCE = 6  # of one finding


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


class Findings:
    """The findings of one ladder; one fault found by several flows is entered once, with all its evidence."""

    def __init__(self) -> None:
        self._entered: list[Finding] = []
        self._places: dict[tuple[str, str], int] = {}

    def enter(self, finding: Finding) -> int:
        """The finding's number."""
        number = self._places.setdefault((finding.code, finding.subject), len(self._entered))
        if number == len(self._entered):
            self._entered.append(finding)
            return number
        known = self._entered[number]
        fresh = tuple(e for e in finding.evidence if e not in known.evidence)
        if fresh:
            evidence = (known.evidence + fresh)[:MOST_EVIDENCE]
            self._entered[number] = replace(known, evidence=evidence)
        return number

    def entered(self) -> tuple[Finding, ...]:
        """All of them, by number."""
        return tuple(self._entered)


def climb(flow: Flow, verdicts: Iterable[Verdict], findings: Findings) -> Climb:
    """One flow's rungs from below; above a broken one, all are unreached.

    `verdicts` are asked for one by one, lowest rung first, until one is broken; its finding is entered.
    """
    states: list[State] = []
    for verdict in verdicts:
        if verdict.finding is None:
            states.append(verdict.state)
            continue
        at = CAUSES[verdict.finding.code][0]
        number = findings.enter(verdict.finding)
        return Climb(flow, _broken_at(states, at), verdict.finding.code, (number,))
    return Climb(flow, tuple(states))


def _broken_at(states: list[State], at: Rung) -> tuple[State, ...]:
    """Rungs below the broken one as judged (unseen where they were not), those above unreached."""
    place = RUNGS.index(at)
    below = (states + [State.UNSEEN] * len(RUNGS))[:place]
    return (*below, State.BROKEN, *(State.UNREACHED for _ in RUNGS[place + 1 :]))
