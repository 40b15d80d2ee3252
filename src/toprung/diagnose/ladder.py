"""All rungs of all flows: the ladder, and the findings that explain it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from toprung.diagnose.flowing import judge_flowing
from toprung.diagnose.heard import judge_heard
from toprung.diagnose.introduced import judge_introduced
from toprung.diagnose.matched import judge_matched
from toprung.diagnose.path import judge_path
from toprung.diagnose.scene import Case, Scene
from toprung.diagnose.timely import judge_timely
from toprung.diagnose.verdict import Verdict
from toprung.model.causes import CAUSES
from toprung.model.finding import Finding
from toprung.model.ladder import RUNGS, Climb, Ladder, Rung, State
from toprung.model.picture import Picture
from toprung.model.site import Site
from toprung.observe.cast import Cast
from toprung.observe.drafting import draft
from toprung.observe.whoiswho import recognise

FLOWING = RUNGS.index(Rung.FLOWING)
JUDGES: dict[Rung, Callable[[Scene, Case], Verdict]] = {
    Rung.PATH: judge_path,
    Rung.HEARD: judge_heard,
    Rung.INTRODUCED: judge_introduced,
    Rung.MATCHED: judge_matched,
    Rung.FLOWING: judge_flowing,
    Rung.TIMELY: judge_timely,
}


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """How far each flow got, and what stops it."""

    ladder: Ladder
    findings: tuple[Finding, ...]


def diagnose(site: Site | None, picture: Picture, cast: Cast | None = None) -> Diagnosis:
    """The ladder as captured.  Without a site, the flows are those that the picture itself suggests."""
    if site is None:
        site, cast = draft(picture), None
    scene = Scene(site, picture, cast or recognise(site, picture))
    findings: list[Finding] = []
    climbs = tuple(_climb(scene, case, findings) for case in scene.cases)
    return Diagnosis(Ladder(climbs), tuple(findings))


def _climb(scene: Scene, case: Case, findings: list[Finding]) -> Climb:
    """One flow's rungs from below; above a broken one, all are unreached."""
    states: list[State] = []
    for rung in RUNGS:
        verdict = JUDGES[rung](scene, case)
        if verdict.finding is None:
            states.append(verdict.state)
            continue
        at = CAUSES[verdict.finding.code][0]
        return Climb(
            case.flow, _broken_at(states, at), verdict.finding.code, (_enter(verdict.finding, findings),)
        )
    return Climb(case.flow, _settled(states))


def _broken_at(states: list[State], at: Rung) -> tuple[State, ...]:
    """Rungs below the broken one as judged (unseen where they were not), those above unreached."""
    place = RUNGS.index(at)
    below = (states + [State.UNSEEN] * len(RUNGS))[:place]
    return (*below, State.BROKEN, *(State.UNREACHED for _ in RUNGS[place + 1 :]))


def _settled(states: list[State]) -> tuple[State, ...]:
    """Samples that flow prove every rung under them; announcements that agree prove nothing of the sort."""
    flows = states[FLOWING] is State.HELD
    return tuple(State.HELD if flows and i < FLOWING else s for i, s in enumerate(states))


def _enter(finding: Finding, findings: list[Finding]) -> int:
    """The finding's number; one fault found by several flows is entered once, with all its evidence."""
    for number, known in enumerate(findings):
        if (known.code, known.subject) == (finding.code, finding.subject):
            fresh = tuple(e for e in finding.evidence if e not in known.evidence)
            findings[number] = replace(known, evidence=(known.evidence + fresh)[:6])
            return number
    findings.append(finding)
    return len(findings) - 1
