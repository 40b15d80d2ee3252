"""Sentences about a reading that text and page share."""

from __future__ import annotations

from collections.abc import Iterator

from toprung.diagnose.observed import Observed
from toprung.forecast.result import Forecast
from toprung.model.ladder import RUNGS, Rung, State
from toprung.model.outcome import Outcome
from toprung.model.picture import Participant, Side, View
from toprung.wire.vendors import holder

_UNSEEN = {
    Rung.PATH: "no capture shows both ends of these ways",
    Rung.HEARD: "no announcement was captured; one may come only every few seconds",
    Rung.INTRODUCED: "no introduction was captured; it may have happened before the capture began",
    Rung.MATCHED: "the QoS of one side was not captured",
    Rung.FLOWING: "no capture shows both the samples and who they are for",
    Rung.TIMELY: "the age of the samples does not show, or nobody says how young they must be",
}


def verdict(outcome: Outcome) -> str:
    """A whole ladder in one sentence."""
    total = len(outcome.ladder.climbs)
    if not total:
        if isinstance(outcome, Observed) and not outcome.given:
            return _nothing(outcome)
        return "The site declares no flow."
    parts = [f"{outcome.whole} of {total} flows on their top rung"]
    broken = outcome.count(State.BROKEN)
    if broken:
        parts.append(f"{broken} broken")
    if outcome.short:
        parts.append(f"{outcome.short} not seen to the top")
    return ", ".join(parts) + "."


def _nothing(observed: Observed) -> str:
    """Why no flow was seen."""
    ends = observed.picture.endpoints
    if observed.picture.participants and all(e.topic is None for e in ends):
        return (
            "No topic was seen. Participants tell each other their topics when they meet; these captures "
            "began later. Start one participant anew while recording, or give a site file."
        )
    return "No flow was seen: no topic has both a writer and a reader."


def heading(observed: Observed) -> str:
    """Site, domain, captures and span."""
    site = observed.site
    name = site.name if observed.given else "no site given: the flows that were seen"
    views = len(observed.picture.views)
    packets = sum(v.packets for v in observed.picture.views)
    captures = f"{views} capture{'s' * (views != 1)}"
    return f"{name}, domain {site.domain}: {captures}, {packets:,} packets, {observed.seconds:.1f} s"


def forecast_heading(forecast: Forecast) -> str:
    """Site, domain, and what there is of each part."""
    site = forecast.site
    counts = (
        ("machine", len(site.machines)),
        ("link", len(site.links)),
        ("participant", len(site.participants)),
        ("flow", len(forecast.ladder.climbs)),
    )
    parts = ", ".join(f"{n:,} {word}{'s' * (n != 1)}" for word, n in counts)
    return f"{site.name}, domain {site.domain}, as forecast: {parts}"


def capture_words(view: View) -> Iterator[str]:
    """What is worth saying of one capture."""
    at = f" at {view.machine}" if view.machine else ""
    seconds = (view.last_ns - view.first_ns) / 1e9 if view.packets else 0.0
    messages = f"{view.datagrams:,} RTPS message{'s' * (view.datagrams != 1)}"
    yield f"{view.label}{at}: {view.packets:,} packets, {messages}, {seconds:.1f} s"
    if not view.datagrams:
        yield "no RTPS in it"
    if view.malformed:
        kinds = ", ".join(f"{kind} {count:,}" for kind, count in sorted(view.malformed.items()))
        yield f"malformed and passed over: {kinds}"
    if view.unreadable:
        yield f"{view.unreadable:,} secured submessages: recognised, not readable"
    if view.short:
        yield f"{view.short:,} packets captured shorter than they were sent"
    if view.tail:
        yield f"read up to a cut: {view.tail}"


def unseen_words(observed: Observed) -> Iterator[str]:
    """Why rungs are unseen, each reason once; below a broken rung it does not matter."""
    for place, rung in enumerate(RUNGS):
        count = sum(c.states[place] is State.UNSEEN for c in observed.ladder.climbs if c.broken_at is None)
        if count:
            yield f"{rung} of {count} flow{'s' * (count != 1)}: {_UNSEEN[rung]}"


def stranger_heading(observed: Observed) -> str:
    """What a participant is that stands in no flow."""
    return "Seen and not declared" if observed.given else "Seen, and no topic of theirs"


def stranger_words(observed: Observed) -> Iterator[str]:
    """What was seen and not declared."""
    for index in (*observed.cast.undeclared, *observed.cast.servers):
        yield _stranger(observed, index)


def _stranger(observed: Observed, index: int) -> str:
    seen: Participant = observed.picture.participants[index]
    name = f' "{seen.name}"' if seen.name else ""
    where = observed.cast.machine_of(index) or ", ".join(seen.sources[:2]) or "an unknown address"
    what = "discovery server" if seen.serves else "participant"
    ends = [e for e in observed.picture.endpoints if e.participant == index and e.topic is not None]
    words = [
        f"{verb} {', '.join(topics[:4])}{' and more' * (len(topics) > 4)}"
        for verb, side in (("writes", Side.WRITER), ("reads", Side.READER))
        if (topics := sorted({e.topic or "" for e in ends if e.side is side}))
    ]
    domain = "" if seen.domain in (None, observed.site.domain) else f", domain {seen.domain}"
    return f"{what}{name} at {where} ({holder(seen.vendor)}{domain}){': ' * bool(words)}{'; '.join(words)}"
