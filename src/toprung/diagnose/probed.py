"""Probes beside captures.

A probe tried what it tried at one time with datagrams of its own; a capture shows the robot's.  So a probe
speaks where no capture does; where both do, the capture's word stands, and it is said what the probe saw.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from toprung.diagnose.clocks import AGREE_S, Clock, captured_pairs, clocks
from toprung.diagnose.probe_faults import EFFECTS, REMEDIES, ProbeFault
from toprung.diagnose.probes import Tried, all_tried, answers_lost, probed_clocks, tried_between
from toprung.diagnose.proof import proof_of_match
from toprung.diagnose.scene import Case, Scene
from toprung.diagnose.sizes import OVERHEAD_BYTES
from toprung.model.finding import Evidence, Finding, Severity
from toprung.model.ladder import Rung, State
from toprung.model.site import DiscoveryMode
from toprung.model.verdict import HELD, Verdict, broken

INTRODUCTION_BYTES = 500  # an introduction with its type is about as large: what loses it loses discovery


def weighed(scene: Scene, case: Case, rung: Rung, verdict: Verdict) -> Verdict:
    """A rung's verdict by captures, with what probes add to it."""
    if not scene.probes or case.one_machine:
        return verdict
    weigh = _WEIGHS.get(rung)
    return verdict if weigh is None else weigh(scene, case, verdict)


def contradictions(scene: Scene, judge: Callable[[Scene, Case], Verdict]) -> Iterator[Finding]:
    """Notes where a probe failed and the captures show that it works.  judge: the path by captures alone."""
    for case in scene.cases if scene.probes else ():
        if case.one_machine or judge(scene, case).state is not State.HELD:
            continue
        for fault, evidence in _faults(scene, case):
            if not _disproved(scene, case, fault):
                continue
            says = f"A probe did not get through, and the captures show that it does. The probe: {fault.says}"
            yield _note(fault.code, Rung.PATH, _subject(fault), says, evidence)
    yield from _clock_contradictions(scene)


def _note(code: str, rung: Rung, subject: str, says: str, evidence: Evidence) -> Finding:
    effect = "The captures' word stands; one of the two is from another time, or of other ports."
    return Finding(code, rung, Severity.NOTE, subject, says, effect, (evidence,), ("Probe once more.",))


# the path


def _weigh_path(scene: Scene, case: Case, verdict: Verdict) -> Verdict:
    faults = _faults(scene, case)
    if verdict.finding is not None:
        said = tuple(evidence for _, evidence in faults) or _passed(scene, case)
        finding = replace(verdict.finding, evidence=verdict.finding.evidence + said[:2])
        return replace(verdict, finding=finding)
    if verdict.state is State.HELD:
        faults = [(f, e) for f, e in faults if not _disproved(scene, case, f)]  # those: `contradictions`
    if faults:
        fault, evidence = faults[0]
        effect, remedies = EFFECTS[fault.code], REMEDIES[fault.code]
        return broken(fault.code, _subject(fault), fault.says, effect, (evidence,), remedies)
    return HELD if _passed(scene, case) else verdict


def _disproved(scene: Scene, case: Case, fault: ProbeFault) -> bool:
    """Whether captures in which the path holds show that also this passes: of large datagrams, only whole
    samples of such a size do."""
    if fault.above_bytes == 0:
        return True
    proof = proof_of_match(scene, case)
    if proof is not None and proof.acknowledged:
        return True
    views, hosts = scene.views_at(fault.receiver), scene.hosts(fault.receiver)
    return any(
        s.whole and s.payload_bytes > fault.above_bytes
        for s in scene.samples_from(scene.population(fault.sender))
        if s.view in views and s.destination in hosts and s.outgoing is not True
    )


def _subject(fault: ProbeFault) -> str:
    both = fault.code in ("path-blocked", "multicast-blocked")
    return f"{fault.sender} {'<->' if both else '->'} {fault.receiver}"


def _faults(scene: Scene, case: Case) -> list[tuple[ProbeFault, Evidence]]:
    """What probes found that this flow needs, of the last probe that found anything first."""
    pair = case.machines
    found = [
        (fault, tried.evidence(fault.seen))
        for tried in sorted(tried_between(scene, *pair), key=lambda t: -t.results.started_ns)
        for fault in tried.faults
        if _matters(scene, case, fault)
    ]
    found += [
        (fault, Evidence(served.label, 0, 0.0, fault.seen))
        for served, fault in answers_lost(scene, *pair)
        if not tried_between(scene, *pair)
    ]
    return found


def _matters(scene: Scene, case: Case, fault: ProbeFault) -> bool:
    """Whether the flow needs what does not pass."""
    if fault.severity is Severity.NOTE:
        return False
    if fault.multicast:
        return _by_multicast(scene, case)
    if fault.above_bytes <= INTRODUCTION_BYTES:  # nothing, or no introduction, passes
        return True
    size = case.declared.size_bytes or 0
    return fault.sender == case.writer.machine and size + OVERHEAD_BYTES > fault.above_bytes


def _by_multicast(scene: Scene, case: Case) -> bool:
    """Whether the two look for each other by multicast; so they do where nobody says otherwise."""
    stated = [scene.site.participant(end.name).discovery for end in case.ends]
    return all(d is None or d.mode is DiscoveryMode.MULTICAST for d in stated)


def _passed(scene: Scene, case: Case) -> tuple[Evidence, ...]:
    """Evidence that the last probe got through with all that the flow needs."""
    last = max(tried_between(scene, *case.machines), key=lambda t: t.results.started_ns, default=None)
    if last is None or not last.passes or (_by_multicast(scene, case) and not last.multicast_passes):
        return ()
    if any(_matters(scene, case, fault) for fault in last.faults):
        return ()
    return (last.evidence(f"a probe gets through between {last.near} and {last.far}, both ways"),)


# time


def _weigh_timely(scene: Scene, case: Case, verdict: Verdict) -> Verdict:
    within_ns = case.declared.within_ns
    if verdict.state is not State.UNSEEN or within_ns is None:
        return verdict
    within = within_ns / 1e9
    return _clock(scene, case, within) or _late(scene, case, within) or verdict


def _clock(scene: Scene, case: Case, within: float) -> Verdict | None:
    """The two machines' clocks are further apart than the flow can bear."""
    found = clocks(scene)
    writer, reader = found.get(case.writer.machine), found.get(case.reader.machine)
    tried = [t for t in tried_between(scene, *case.machines) if t.results.clock is not None]
    if writer is None or reader is None or not tried:
        return None
    apart = writer.ahead_s - reader.ahead_s
    if abs(apart) - writer.error_s - reader.error_s <= within / 2:
        return None
    wrong: Clock = max(writer, reader, key=lambda c: abs(c.ahead_s))
    way = "ahead" if wrong.ahead_s > 0 else "behind"
    last = max(tried, key=lambda t: t.results.started_ns)
    return broken(
        "clock-offset",
        wrong.machine,
        f"The clocks of {case.writer.machine} and {case.reader.machine} are {_apart(apart)} apart: "
        f"{wrong.machine}'s is {way}.",
        "Whatever is stamped on one looks too old, or from the future, on the other.",
        (last.evidence(_clock_words(last)),),
        (
            f"Discipline {wrong.machine}'s clock by the same time server as the others (NTP or PTP), and "
            "wait until it has settled.",
        ),
    )


def _clock_words(tried: Tried) -> str:
    clock = tried.results.clock
    assert clock is not None
    way = "ahead of" if clock.offset_s >= 0 else "behind"
    error = f"{clock.error_s * 1e3:.1f} ms"
    return f"{tried.far}'s clock is {_apart(clock.offset_s)} {way} {tried.near}'s, give or take {error}"


def _late(scene: Scene, case: Case, within: float) -> Verdict | None:
    """Datagrams like the flow's own take longer than its samples may."""
    for tried in tried_between(scene, *case.machines):
        for check in tried.flows():
            delay = check.train.delay
            same = (check.topic, check.writer, check.reader) == (
                case.declared.topic,
                case.writer.name,
                case.reader.name,
            )
            if not same or delay is None or delay.p50 <= within:
                continue
            return broken(
                "late",
                str(case.flow),
                f"Datagrams like those of {check.topic} take {_apart(delay.p50)} (median; worst "
                f"{_apart(delay.most)}), allowed are {_apart(within)}.",
                f"{case.reader.name} would act on the past.",
                (
                    tried.evidence(
                        f"{check.train.arrived} of {check.train.sent} datagrams arrived, that late"
                    ),
                ),
                ("Find the queue: a link at its limit, or a radio that sleeps.",),
                Severity.HURTS,
            )
    return None


def _clock_contradictions(scene: Scene) -> Iterator[Finding]:
    """Notes where captures and a probe disagree on two clocks by more than both may err."""
    captured = captured_pairs(scene) if scene.probes else {}
    for pair, clock in probed_clocks(scene).items() if captured else ():
        if pair not in captured:
            continue
        offset, error = captured[pair]
        if abs(offset - clock.offset_s) <= error + clock.error_s + AGREE_S:
            continue
        tried = next(t for t in all_tried(scene) if t.results.clock == clock)
        says = (
            f"By the captures {pair[1]}'s clock is {_apart(offset)} from {pair[0]}'s, by the probe "
            f"{_apart(clock.offset_s)}: it was set in between."
        )
        yield _note("clock-offset", Rung.TIMELY, pair[1], says, tried.evidence(_clock_words(tried)))


def _apart(seconds: float) -> str:
    return f"{abs(seconds) * 1e3:.1f} ms" if abs(seconds) < 1 else f"{abs(seconds):.2f} s"


_WEIGHS: dict[Rung, Callable[[Scene, Case, Verdict], Verdict]] = {
    Rung.PATH: _weigh_path,
    Rung.TIMELY: _weigh_timely,
}
