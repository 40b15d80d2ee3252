"""Rung `timely`: are samples as young as the flow's `within`, and do the clocks agree?"""

from __future__ import annotations

from collections.abc import Callable

from toprung.diagnose.ages import age_on_arrival, clocks_known, shifted
from toprung.diagnose.clocks import clocks
from toprung.diagnose.delivery import BURST_SHARE, MANY, Delivery, delivery, held_up
from toprung.diagnose.loops import loop_too_slow
from toprung.diagnose.scene import Case, End, Scene
from toprung.model.finding import Severity
from toprung.model.picture import Mark, Samples, Spread
from toprung.model.verdict import HELD, UNSEEN, Verdict, broken

ENOUGH = 8  # samples or answers: fewer show no habit
PERIODS = 3  # a pause of so many periods is felt
CAUTION = (
    "Stopping distances grow with every delay; check the base's watchdog before it moves, under your local "
    "safety rules and with a qualified person."
)


def judge_timely(scene: Scene, case: Case) -> Verdict:
    """Whether the flow's samples are young enough where they are used."""
    found = delivery(scene, case)
    if found is None or found.best is None:
        return UNSEEN
    for check in CHECKS:
        if (verdict := check(scene, case, found)) is not None:
            return verdict
    if (slow := loop_too_slow(scene, case)) is not None:
        return slow
    if case.declared.within_ns is None:
        return HELD
    age = age_on_arrival(scene, case, found)
    if age is None:
        return UNSEEN
    judged = age.count >= MANY and clocks_known(scene, case)  # now and then one is late: no habit
    return HELD if age.p95 <= case.declared.within_ns / 1e9 or judged else UNSEEN


def _within_s(case: Case) -> float | None:
    return None if case.declared.within_ns is None else case.declared.within_ns / 1e9


def _clock(scene: Scene, case: Case, found: Delivery) -> Verdict | None:
    """The writer's clock is wrong by more than the flow can bear: its stamps mislead everybody."""
    within, clock = _within_s(case), clocks(scene).get(case.writer.machine)
    if within is None or clock is None or abs(clock.ahead_s) - clock.error_s <= within / 2:
        return None
    way = "ahead" if clock.ahead_s > 0 else "behind"
    sample = found.best
    assert sample is not None
    age = f"; its age on arrival reads {sample.age.p50:+.2f} s" if sample.age and found.came else ""
    return broken(
        "clock-offset",
        case.writer.machine,
        f"The clock of {case.writer.machine} is {abs(clock.ahead_s):.2f} s {way} of the others.",
        f"Whatever {case.writer.machine} stamps looks "
        f"{'as if it came from the future' if way == 'ahead' else 'old'}: "
        "transforms fail, data is thrown away as too old or too new.",
        (
            scene.evidence(
                sample.tally.first, f"a sample of {case.declared.topic} with a stamp of that clock{age}"
            ),
        ),
        (
            f"Discipline {case.writer.machine}'s clock by the same time server as the others (NTP "
            "or PTP), and wait "
            "until it has settled.",
        ),
        Severity.STOPS,
    )


def _overloaded(scene: Scene, case: Case, found: Delivery) -> Verdict | None:
    """One of the machines stands still again and again, for longer than the flow can bear."""
    rate, within = case.declared.rate_hz, _within_s(case)
    if rate is None or within is None:
        return None
    bearable = max(within, PERIODS / rate)
    for end in case.ends:
        uneven = _bursty(scene, end, bearable)
        if uneven is not None and uneven.between is not None:
            return _overload_verdict(scene, end, uneven.between, uneven.tally.first)
    return None


def _bursty(scene: Scene, end: End, bearable_s: float) -> Samples | None:
    """Samples that already leave the end's own machine in bursts, with pauses longer than bearable."""
    views = scene.views_at(end.machine)
    left = [s for s in scene.samples_from(end.lives) if s.view in views and s.outgoing is not False]
    if not views:
        left = [s for s in scene.samples_from(end.lives) if _as_written(scene, s, bearable_s)]
    uneven = [s for s in left if held_up(s, bearable_s)]
    return max(uneven, key=lambda s: s.between.count if s.between else 0, default=None)


def _as_written(scene: Scene, came: Samples, bearable_s: float) -> bool:
    """Whether samples came as evenly as they were written: one as old as the other on arrival, nothing
    missing.  What holds them up on the way makes some of them older."""
    here = scene.cast.view_machine(came.view)
    meant = here is not None and came.destination in scene.hosts(here)
    age = came.age
    return meant and not came.missing and age is not None and age.p95 - age.p05 < bearable_s / 2


def _overload_verdict(scene: Scene, end: End, pauses: Spread, since: Mark) -> Verdict:
    return broken(
        "machine-overloaded",
        end.machine,
        f"{end.machine} sends nothing for up to {pauses.most:.1f} s at a time and then catches up "
        "in a burst: "
        "it is too busy, or its process is held up.",
        f"What it writes comes in bursts, and what it gets is used late. {CAUTION}",
        (scene.evidence(since, f"from here on, {end.name} sends nothing for a while and then all at once"),),
        (
            f"Find what takes {end.machine}'s processor (load, thermal throttling, swap, a debugger).",
            "Give the driver's process a real-time priority, and the base fewer participants to "
            "keep track of.",
        ),
        Severity.HURTS,
    )


def _late(scene: Scene, case: Case, found: Delivery) -> Verdict | None:
    within, age = _within_s(case), age_on_arrival(scene, case, found)
    if within is None or age is None or age.count < ENOUGH // 2 or age.p95 <= within or found.came is None:
        return None
    if not clocks_known(scene, case):
        age = shifted(age, age.least)  # only what varies is certain
    if age.p50 > within:
        return broken(
            "late",
            str(case.flow),
            f"Samples of {case.declared.topic} are {_ms(age.p50)} old when they arrive (median; worst "
            f"{_ms(age.most)}), allowed are {_ms(within)}.",
            f"{case.reader.name} acts on the past. {CAUTION}",
            (scene.evidence(found.came.tally.first, "the first of these samples"),),
            (
                "Find the queue: a link at its limit, a radio that sleeps, reliable resends.",
                f"Or allow more than {_ms(within)}, if the loops that use the topic can bear it.",
            ),
            Severity.HURTS,
        )
    if age.count < MANY or not _jumps(case, found.came):
        return None
    return broken(
        "jitter",
        str(case.flow),
        f"Samples of {case.declared.topic} are held up and let go in bursts: {_ms(age.p50)} old in "
        "the median, "
        f"{_ms(age.p95)} for the worst twentieth, allowed are {_ms(within)}.",
        f"{case.reader.name} gets nothing for a while and then everything at once. {CAUTION}",
        (scene.evidence(found.came.tally.first, "the first of these samples"),),
        (
            "Look for power saving on the radio (switch it off), roaming, or a bridge that collects packets.",
            "Move the flow to a cable, or to a priority class of its own.",
        ),
        Severity.HURTS,
    )


def _jumps(case: Case, came: Samples) -> bool:
    rate = case.declared.rate_hz
    if rate is None or came.between is None:
        return True
    return came.between.p05 < BURST_SHARE / rate or came.between.most > PERIODS / rate


def _ms(seconds: float) -> str:
    return f"{seconds * 1e3:.0f} ms" if seconds < 1 else f"{seconds:.2f} s"


CHECKS: tuple[Callable[[Scene, Case, Delivery], Verdict | None], ...] = (_clock, _overloaded, _late)
