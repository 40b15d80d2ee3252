"""Rung `flowing`: do samples arrive, at the declared rate, within the declared loss?"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from toprung.diagnose.capacity import is_full, load_of
from toprung.diagnose.delivery import Delivery, delivery, held_up
from toprung.diagnose.introduced import judge_introduced
from toprung.diagnose.life import Fate, life_of
from toprung.diagnose.scene import Case, Scene
from toprung.model.finding import Evidence, Severity
from toprung.model.ladder import State
from toprung.model.picture import Endpoint, Mark, Samples, Side
from toprung.model.qos import Durability, Qos, conflicts, partitions_meet
from toprung.model.site import Link
from toprung.model.verdict import HELD, UNSEEN, Verdict, broken

PERIODS_EXPECTED = 4  # a capture must cover this many periods before silence means something
SILENT_S = 3.0
RATE_SHARE = 0.75  # of the declared rate; timers and scheduling explain less
STOPPED = 0.9  # of the samples lost: the flow does not work
LOSS_TOLERATED = 0.2  # where the site declares no limit
ENOUGH_SAMPLES = 10
STORM_REPEATS = 20
CAUTION = "If the base obeys this topic, it may move without or against its commander: keep clear of it."


def judge_flowing(scene: Scene, case: Case) -> Verdict:
    """Whether the flow's samples come as the site wants them."""
    found = delivery(scene, case)
    if (verdict := _rivals(scene, case)) is not None:
        return verdict
    if found is None:
        return UNSEEN
    for check in CHECKS:
        if (verdict := check(scene, case, found)) is not None:
            return verdict
    return HELD if _flows(scene, case, found) else UNSEEN


def _flows(scene: Scene, case: Case, found: Delivery) -> bool:
    sample = found.came or (found.left if found.acknowledged else None)
    return sample is not None and sample.whole > 0 and not found.ignored and not _ceases(scene, case, sample)


def _ceases(scene: Scene, case: Case, samples: Samples) -> bool:
    """Whether the samples end long before others in the same capture do: how it went on does not show."""
    rate = case.declared.rate_hz
    everybody = range(len(scene.picture.participants))
    until = scene.last_sign_ns(everybody, samples.view) or 0
    silent_s = (until - samples.tally.last.time_ns) / 1e9
    return rate is not None and silent_s > max(SILENT_S, PERIODS_EXPECTED / rate)


# more writers than the site wants


def _rivals(scene: Scene, case: Case) -> Verdict | None:
    declared = {f.writer for f in scene.site.flows() if f.wire_topic == case.declared.wire_topic}
    allowed = {i for name in declared for i in scene.cast.lives_of(name)}
    readers = [r.qos for r in scene.ends_on_topic(case.reader, case) if r.qos]
    rivals = [
        (e, s)
        for e, s in _busy_writers(scene, case)
        if e.participant not in allowed and any(_would_match(e.qos, r) for r in readers)
    ]
    if rivals:
        return _rival_verdict(scene, case, rivals, "which the site does not declare")
    if not case.declared.exclusive:
        return None
    others = [(e, s) for e, s in _busy_writers(scene, case) if e.participant not in case.writer.lives]
    if others and delivery(scene, case) is not None:
        return _rival_verdict(scene, case, others, "although the topic is declared exclusive")
    return None


def _busy_writers(scene: Scene, case: Case) -> Iterator[tuple[Endpoint, Samples]]:
    """Writers of the flow's topic that wrote something."""
    for endpoint in scene.picture.endpoints:
        if endpoint.side is Side.WRITER and endpoint.topic == case.declared.wire_topic:
            samples = scene.samples_of(endpoint)
            if samples:
                yield endpoint, max(samples, key=lambda s: s.whole)


def _would_match(offered: Qos | None, requested: Qos) -> bool:
    return (
        offered is not None
        and not conflicts(offered, requested)
        and partitions_meet(offered.partition, requested.partition)
    )


def _rival_verdict(scene: Scene, case: Case, rivals: list[tuple[Endpoint, Samples]], why: str) -> Verdict:
    names = ", ".join(sorted({scene.cast.name_of(e.participant) for e, _ in rivals}))
    rates = ", ".join(f"{s.rate_hz:.0f} Hz" for _, s in rivals if s.rate_hz)
    evidence: list[Evidence] = []
    for endpoint, samples in rivals:
        evidence += [
            scene.evidence(m, f"a writer on {endpoint.topic} is announced") for m in endpoint.introduced[:1]
        ]
        evidence.append(
            scene.evidence(samples.tally.first, f"its samples come from {_source(scene, endpoint)}")
        )
    return broken(
        "rival-writers",
        case.declared.topic,
        f"{names} writes {case.declared.topic}, too{f' ({rates})' if rates else ''}, {why}.",
        f"{case.reader.name} obeys both writers by turns. {CAUTION}",
        tuple(evidence),
        (
            f"Stop {names}, or give it another topic.",
            "Where a second commander is wanted: exclusive ownership with different strengths, or "
            "a selector in "
            "between.",
        ),
    )


def _source(scene: Scene, endpoint: Endpoint) -> str:
    return next(iter(scene.participant(endpoint.participant).sources), "an unknown address")


# nothing, or too little


def _silent(scene: Scene, case: Case, found: Delivery) -> Verdict | None:
    rate = case.declared.rate_hz
    if rate is None or not found.watched_leaving or judge_introduced(scene, case).state is not State.HELD:
        return None
    reader = life_of(scene, case.reader)
    if reader is None or reader.fate is not Fate.ALIVE:
        return None  # for whom should it write?
    views = scene.views_at(case.writer.machine)  # one clock, and every sample passes there
    written = max((s.tally.last for s in scene.samples_of(found.writer) if s.view in views), default=None)
    since = written or min((m for m in found.writer.introduced if m.view in views), default=None)
    if since is None:
        return None
    until = scene.last_sign_ns((found.writer.participant,), since.view)
    lasting = ((until or since.time_ns) - since.time_ns) / 1e9
    if lasting < max(SILENT_S, PERIODS_EXPECTED / rate) or (written is None and found.written_upto > 0):
        return None
    never = written is None
    return broken(
        "writer-silent",
        f"{case.writer.name} ({case.writer.machine})",
        f"{case.writer.name} {'never wrote' if never else f'stopped writing {lasting:.1f} s before its end'} "
        f"{case.declared.topic}, declared at {rate:g} Hz.",
        f"{case.reader.name} is matched and waits.",
        (
            scene.evidence(
                since,
                f"the writer is announced here, and no sample of it follows in {lasting:.1f} s"
                if never
                else "the last sample of this writer",
            ),
        ),
        (
            f"Look into {case.writer.name}: its source (sensor, timer, driver) gives it nothing to "
            "write, or it waits "
            "for something.",
        ),
    )


def _joined_late(scene: Scene, case: Case, found: Delivery) -> Verdict | None:
    if found.best is not None or found.written_upto < 1 or case.declared.rate_hz:
        return None
    qos = found.writer.qos
    if qos is None or qos.durability is not Durability.VOLATILE:
        return None
    heartbeats = [d.heartbeats.last for d in found.talk if d.heartbeats and d.written_upto >= 1]
    if not heartbeats or not found.acknowledged:
        return None
    return broken(
        "joined-late",
        str(case.flow),
        f"{case.writer.name} wrote {case.declared.topic} before {case.reader.name} matched, and "
        "keeps no sample for "
        "late joiners (durability volatile).",
        f"{case.reader.name} never gets the sample.",
        (
            scene.evidence(
                heartbeats[0],
                f"{found.written_upto} samples are written; none of them is offered to {case.reader.name}",
            ),
        ),
        (
            "Let the writer offer and the reader request transient_local (with enough history).",
            f"Or start {case.reader.name} first, or write the topic again and again.",
        ),
        Severity.STOPS,
    )


def _lossy(scene: Scene, case: Case, found: Delivery) -> Verdict | None:
    share = found.lost_share
    limit = LOSS_TOLERATED if case.declared.loss is None else case.declared.loss
    sample = found.came or found.left
    if share is None or sample is None or share <= limit:
        return None
    told = sample.whole + sample.partial + sample.missing
    if told < ENOUGH_SAMPLES and share < 1.0:
        return None
    if told * (share - limit) < 2 and share < 1.0:
        return None  # one lost sample more than the limit is chance
    if is_full(load := load_of(scene, case)) and load is not None:
        return _full_verdict(scene, case, sample, share, load)
    torn = f"; {sample.partial} came in part" if found.came and sample.partial else ""
    pieces = (
        f" Each is {sample.fragments} fragments; one lost fragment costs the sample."
        if sample.fragments > 2
        else ""
    )
    return broken(
        "loss",
        str(case.flow),
        f"{share:.0%} of the samples of {case.declared.topic} do not arrive whole{torn} (limit "
        f"{limit:.0%}).{pieces}",
        f"{case.reader.name} works with holes in its data, or with none.",
        _holes(scene, sample),
        (
            "Improve the link (signal, channel, distance), or lower the rate or size of what it carries.",
            "For large samples: fragment above UDP (message size at most 1,400 B) with reliable "
            "delivery, or send "
            "them compressed.",
        ),
        Severity.STOPS if share > STOPPED else Severity.HURTS,
    )


def _full_verdict(
    scene: Scene, case: Case, sample: Samples, share: float, load: tuple[Link, float]
) -> Verdict:
    link, full = load
    return broken(
        "link-full",
        link.name,
        f"{case.writer.machine} sends {full:.0%} of what {link.name} can carry; {share:.0%} of the "
        "samples of "
        f"{case.declared.topic} do not arrive.",
        "Queues fill, samples come late or never, and discovery suffers with them.",
        _holes(scene, sample),
        (
            "Send less over this link: lower rates or sizes of the largest topics first, or compress them.",
            "Or raise the link's rate (cable instead of radio, another band, shorter distance).",
        ),
        Severity.STOPS if share > STOPPED else Severity.HURTS,
    )


def _holes(scene: Scene, sample: Samples) -> tuple[Evidence, ...]:
    marks: tuple[Mark, ...] = sample.holes[:3] or (sample.tally.first,)
    return tuple(scene.evidence(m, "a sample before this packet is missing or torn") for m in marks)


def _storm(scene: Scene, case: Case, found: Delivery) -> Verdict | None:
    sample = found.left or found.came
    if sample is None or sample.repeats < STORM_REPEATS or sample.repeats <= sample.whole + sample.partial:
        return None
    return broken(
        "resend-storm",
        str(case.flow),
        f"{case.writer.name} resends more than it sends: {sample.repeats} repeats of "
        f"{sample.whole + sample.partial} samples of {case.declared.topic}.",
        "Resends fill the link, and every other flow on it suffers.",
        _holes(scene, sample),
        (
            "Make the topic best effort, or its datagrams small enough for one packet.",
            "Cure the loss on the link first; lower rate or size.",
        ),
        Severity.HURTS,
    )


def _slow(scene: Scene, case: Case, found: Delivery) -> Verdict | None:
    declared, sample = case.declared.rate_hz, found.left or found.came
    if declared is None or sample is None or sample.rate_hz is None or sample.whole < ENOUGH_SAMPLES // 2:
        return None
    if sample.rate_hz >= RATE_SHARE * declared or held_up(sample, 1 / declared):
        return None  # who stands still again and again is not slow: a rung higher
    return broken(
        "rate-low",
        str(case.flow),
        f"{case.writer.name} writes {case.declared.topic} at {sample.rate_hz:.3g} Hz, declared are "
        f"{declared:g} Hz.",
        f"{case.reader.name} works with older data than planned.",
        (
            scene.evidence(sample.tally.first, "the first of these samples"),
            scene.evidence(sample.tally.last, "the last of them"),
        ),
        (f"Find what slows {case.writer.name} (its source, its load), or correct the declared rate.",),
        Severity.HURTS,
    )


CHECKS: tuple[Callable[[Scene, Case, Delivery], Verdict | None], ...] = (
    _silent,
    _joined_late,
    _lossy,
    _storm,
    _slow,
)
