"""Listening as text: a block that is drawn over, and lines that say what changed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from toprung.model.changes import FlowChange
from toprung.model.finding import Severity
from toprung.observe.attendance import Coming, Presence
from toprung.pictures.plain import printable
from toprung.pictures.summary import verdict
from toprung.pictures.text import Style, ladder, wrapped

if TYPE_CHECKING:
    from toprung.diagnose.observed import Observed
    from toprung.live.listening import Look

NOTHING = "No RTPS has been heard so far."


def news(look: Look) -> list[str]:
    """What changed since the last look, one line each, with the local time of day."""
    return [f"{look.clock}  {printable(line)}" for line in (*interface_words(look), *changed_words(look))]


def interface_words(look: Look) -> Iterator[str]:
    """Interfaces that went down, came back, vanished."""
    return (f"{turn.tap.interface} is {turn.state}" for turn in look.turns)


def changed_words(look: Look) -> Iterator[str]:
    """Participants first: they are the reason why flows change."""
    if look.observed is not None:
        yield from (_coming(coming, look.observed, look.time_ns) for coming in look.comings)
    yield from map(_flow, look.flows)


def _flow(change: FlowChange) -> str:
    cause = f" ({change.cause})" if change.cause else ""
    before, after = change.before or "not there", change.after or "not there"
    return f"{change.flow}: {change.rung} {before} -> {after}{cause}"


def _coming(coming: Coming, observed: Observed, now_ns: int) -> str:
    seen = observed.picture.participants[coming.participant]
    machine = observed.cast.machine_of(coming.participant)
    who = observed.cast.name_of(coming.participant) + (f" at {machine}" if machine else "")
    if coming.now is Presence.LAPSED:
        silent_s = (now_ns - seen.last_heard.time_ns) / 1e9
        lease = f"its lease of {seen.lease_ns / 1e9:g} s" if seen.lease_ns else "the default lease"
        return f"{who}: lapsed, {lease} ran out; last heard {silent_s:.1f} s ago"
    if coming.now is Presence.LEFT:
        return f"{who}: left, with a goodbye"
    return f"{who}: {'came' if coming.before is None else 'is back'}"


def status(look: Look, packets_per_s: float) -> str:
    """What is listened to, and how much is heard."""
    names = (n if state == "up" else f"{n} ({state})" for n, state in look.interfaces.items())
    lost = f"{look.dropped:,} dropped" if look.dropped else "none dropped"
    heard = f"{packets_per_s:,.0f} packets/s, {look.packets:,} in all, {lost}"
    return f"{', '.join(names)}, {look.seconds:.0f} s: {heard}"


def caution(look: Look) -> list[str]:
    """What must not be believed where packets were dropped here."""
    if not look.dropped:
        return []
    share = look.dropped / max(look.packets, 1)
    return wrapped(
        f"{look.dropped:,} packets ({share:.2%}) were dropped on this machine, which could not keep up: "
        "samples that seem to be missing may have arrived. Listen with less beside it, or elsewhere."
    )


def block(look: Look, style: Style) -> list[str]:
    """Status, ladder, one line a finding, verdict."""
    heard = status(look, look.packets_per_s)
    observed = look.observed
    if observed is None:
        return [*wrapped(heard), NOTHING]
    site = observed.site
    name = site.name if observed.given else "flows that were seen"
    lines = [*wrapped(f"{name}, domain {site.domain}: {heard}"), ""]
    lines += map(printable, ladder(observed.ladder.climbs, Style(style.wide)))
    told = [f for f in observed.findings if f.severity is not Severity.NOTE]
    if told:
        lines += ["", *(printable(f"{f.severity}: {f.code}, {f.subject}") for f in told)]
    lines += ["", *wrapped(verdict(observed)), *caution(look)]
    if look.retired:
        lines += wrapped(f"{look.retired:,} participants came and went before those that are kept apart.")
    return lines
