"""Rung `flowing`: do the links carry what is declared, and does enough of it come whole?"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from toprung.forecast.fragments import REASSEMBLY_BYTES, REASSEMBLY_S
from toprung.forecast.rungs.basis import Basis, Case
from toprung.forecast.traffic import FlowTraffic, LinkTraffic
from toprung.model.finding import Severity
from toprung.model.verdict import HELD, UNSEEN, Verdict, broken

LOSS_TOLERATED = 0.2  # where the site declares no limit: as a capture is judged
STOPPED = 0.9  # of the samples lost: the flow does not work
CAUTION = "If the base obeys this topic, it may move without or against its commander: keep clear of it."


def judge_flowing(basis: Basis, case: Case) -> Verdict:
    """Whether the flow's samples come as the site wants them."""
    if (verdict := _rivals(basis, case)) is not None:
        return verdict
    found = basis.traffic.flows.get(case.flow)
    if case.one_machine or found is None:
        return HELD if _knows(case) or case.one_machine else UNSEEN
    for check in CHECKS:
        if (verdict := check(basis, case, found)) is not None:
            return verdict
    return HELD if _knows(case) and basis.rated(case.flow) else UNSEEN


def _knows(case: Case) -> bool:
    """Whether the site says what the flow carries; where it says no rate, nothing is expected of it."""
    return case.declared.rate_hz is None or case.declared.size_bytes is not None


def _links(basis: Basis, found: FlowTraffic) -> Iterator[LinkTraffic]:
    """The links that the flow's samples cross."""
    crossings = () if found.copy is None else found.copy.crossings
    return (basis.traffic.links[crossing.link.name] for crossing in crossings)


def _rivals(basis: Basis, case: Case) -> Verdict | None:
    writers = basis.writers[case.declared.wire_topic]
    if not case.declared.exclusive or len(writers) < 2:
        return None
    names = ", ".join(writers)
    return broken(
        "rival-writers",
        case.declared.topic,
        f"{names} all write {case.declared.topic}, which is declared exclusive.",
        f"{case.reader.name} obeys them by turns. {CAUTION}",
        (),
        (
            f"Let one of {names} write {case.declared.topic}, or put a selector in between.",
            "Where a second commander is wanted: exclusive ownership with different strengths.",
        ),
    )


def _full(basis: Basis, case: Case, found: FlowTraffic) -> Verdict | None:
    """A link of the flow that is to carry more than it can."""
    for link in _links(basis, found):
        if link.busy is None or link.busy <= 1:
            continue
        uses = [f"{use.topic} of {use.writer} {use.share:.0%}" for use in link.uses[:3] if use.share]
        most = f" Most of it: {', '.join(uses)}." if uses else ""
        return broken(
            "link-full",
            link.link.name,
            f"{link.link.name} is to carry {link.busy:.0%} of what it can.{most}",
            "Queues fill, samples come late or never, and discovery suffers with them.",
            (),
            tuple(_relief(link)),
            Severity.STOPS if 1 - 1 / link.busy > STOPPED else Severity.HURTS,
        )
    return None


def _relief(link: LinkTraffic) -> Iterator[str]:
    if link.uses:
        first = link.uses[0]
        yield f"Send less over {link.link.name}: a lower rate or size of {first.topic} first, or compress it."
    if link.air_time is not None:
        yield "Or a faster radio link (band, width, distance), or a second access point on another channel."
    else:
        yield f"Or raise the rate of {link.link.name}."


def _stalled(basis: Basis, case: Case, found: FlowTraffic) -> Verdict | None:
    """Unfinished fragments fill the reader's reassembly memory; then new ones find room only as fast as old
    ones run out, whatever flow they are of."""
    memory = basis.traffic.machines[case.reader.machine]
    messages = found.messages
    if not memory.stalls or messages is None or len(messages.packets) == len(messages.payloads):
        return None
    finds_room = REASSEMBLY_BYTES / (memory.fill_bytes_per_s * REASSEMBLY_S)
    return broken(
        "loss",
        case.reader.machine,
        f"Fragments of samples that lost a packet pile up in {case.reader.machine}'s reassembly memory: "
        f"{memory.fill_bytes_per_s / 1e3:,.0f} kB/s, kept for {REASSEMBLY_S:.0f} s each. It is full after "
        f"{memory.full_s:.0f} s.",
        f"From then on only {finds_room:.0%} of the datagrams in fragments find room, of whatever flow.",
        (),
        (
            "Cap the middleware's greatest message size at 1,400 B, so that it fragments above IP.",
            "Or lower rate, size or loss of the largest topics.",
        ),
        Severity.STOPS if 1 - finds_room > STOPPED else Severity.HURTS,
    )


def _lossy(basis: Basis, case: Case, found: FlowTraffic) -> Verdict | None:
    limit = LOSS_TOLERATED if case.declared.loss is None else case.declared.loss
    share = found.loss if found.rounds is None else 0.0
    if share <= limit or found.copy is None:
        return None
    packets = len(found.messages.packets) if found.messages else 1
    pieces = f" Each is {packets} packets, and one lost packet costs the sample." if packets > 1 else ""
    return broken(
        "loss",
        str(case.flow),
        f"{share:.1%} of the samples of {case.declared.topic} will not arrive whole (limit {limit:.1%})."
        f"{pieces}",
        f"{case.reader.name} works with holes in its data, or with none.",
        (),
        (
            "Improve the link (signal, channel, distance), or lower the rate or size of what it carries.",
            "For large samples: reliable delivery, with messages of at most 1,400 B.",
        ),
        Severity.STOPS if share > STOPPED else Severity.HURTS,
    )


CHECKS: tuple[Callable[[Basis, Case, FlowTraffic], Verdict | None], ...] = (_full, _stalled, _lossy)
