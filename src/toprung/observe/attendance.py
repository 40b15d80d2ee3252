"""Who is there now: participants that came, left with a goodbye, or whose lease ran out.

A participant is alive for its lease after whatever was heard of it last (DDSI-RTPS 2.5, 8.5.3.2, where the
lease counts from its announcements; libraries take any message for a sign of life, so that is done here).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from toprung.model.picture import Participant, Picture
from toprung.wire.announcements import DEFAULT_LEASE_NS


class Presence(StrEnum):
    """How a participant is there."""

    HERE = "here"
    LEFT = "left"
    LAPSED = "lapsed"


@dataclass(frozen=True, slots=True)
class Coming:
    """A participant (by its place in the picture) whose presence changed.  before: None at first sight."""

    participant: int
    before: Presence | None
    now: Presence


def presence(participant: Participant, now_ns: int, listening_since_ns: int) -> Presence:
    """`now_ns`: of the capturing clock.  `listening_since_ns`: since when nothing kept us from hearing it;
    who was silent no longer than we were deaf has not lapsed for all we know."""
    said, heard = participant.goodbye, participant.last_heard.time_ns
    if said is not None and heard <= said.time_ns:
        return Presence.LEFT
    lease_ns = participant.lease_ns or DEFAULT_LEASE_NS
    silent_ns = now_ns - max(heard, listening_since_ns)
    return Presence.LAPSED if silent_ns > lease_ns else Presence.HERE


class Attendance:
    """Remembers who was there at the last look."""

    def __init__(self) -> None:
        self._before: dict[bytes, Presence] | None = None

    def look(self, picture: Picture, now_ns: int, listening_since_ns: int) -> Iterator[Coming]:
        """Changes since the last look; nothing at the first one, which has none before it."""
        now = {p.prefix: presence(p, now_ns, listening_since_ns) for p in picture.participants}
        before, self._before = self._before, now
        if before is None:
            return
        for place, (prefix, found) in enumerate(now.items()):
            was = before.get(prefix)
            if was is not found:
                yield Coming(place, was, found)
