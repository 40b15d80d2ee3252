"""All rungs of all flows: the ladder, and the findings that explain it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from toprung.diagnose.flowing import judge_flowing
from toprung.diagnose.heard import judge_heard
from toprung.diagnose.introduced import judge_introduced
from toprung.diagnose.matched import judge_matched
from toprung.diagnose.path import judge_path
from toprung.diagnose.probed import contradictions, weighed
from toprung.diagnose.scene import Case, Scene
from toprung.diagnose.timely import judge_timely
from toprung.model.finding import Finding
from toprung.model.ladder import RUNGS, Climb, Ladder, Rung, State
from toprung.model.picture import Picture
from toprung.model.probe import ProbeResults, Served
from toprung.model.site import Site
from toprung.model.verdict import Findings, Verdict, climb
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


def diagnose(
    site: Site | None,
    picture: Picture,
    cast: Cast | None = None,
    probes: Sequence[ProbeResults | Served] = (),
) -> Diagnosis:
    """The ladder as captured, and as probed where no capture tells.  Without a site, the flows are those
    that the picture itself suggests."""
    if site is None:
        site, cast = draft(picture), None
    scene = Scene(site, picture, cast or recognise(site, picture), tuple(probes))
    findings = Findings()
    climbs = tuple(_climb(scene, case, findings) for case in scene.cases)
    for note in contradictions(scene, judge_path):
        findings.enter(note)
    return Diagnosis(Ladder(climbs), findings.entered())


def _climb(scene: Scene, case: Case, findings: Findings) -> Climb:
    """One flow's climb, by this room's judges."""
    made = climb(
        case.flow, (weighed(scene, case, rung, JUDGES[rung](scene, case)) for rung in RUNGS), findings
    )
    return made if made.broken_at else replace(made, states=_settled(made.states))


def _settled(states: tuple[State, ...]) -> tuple[State, ...]:
    """Samples that flow prove every rung under them; announcements that agree prove nothing of the sort."""
    flows = states[FLOWING] is State.HELD
    return tuple(State.HELD if flows and i < FLOWING else s for i, s in enumerate(states))
