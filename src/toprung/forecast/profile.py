"""What a middleware library does on the wire: a measured profile, one small data file for each library.

The files in `profiles/` are written by `tests/live/profile.py` from real traffic between network
namespaces; they name the library's version and the day.  Nothing in them is fitted: each number is read
off captured messages, and sizes of announcements are not in them, since those are encoded anew for every
site (`toprung.forecast.announcing`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

import yaml

from toprung.model.site import Middleware


class Answers(NamedTuple):
    """What keeps one reliable writer -> reader stream reliable at one rate, without loss.  Per sample."""

    rate_hz: float
    carried: float  # heartbeats inside the sample's own message
    alone: float  # heartbeats in a message of their own
    acknacks: float  # of one reader


@dataclass(frozen=True, slots=True)
class DataPhase:
    """How samples of user topics travel; all sizes are bytes of the UDP payload.

    A sample's payload counts with its 4-byte encapsulation header.  `header_bytes` is everything around
    the payload in a message with one whole sample: RTPS header, INFO_DST, INFO_TS, DATA, vendor's
    submessage.  One that goes to several readers at once may lack INFO_DST.
    """

    fragment_bytes: int  # payload in one fragment; a greater sample goes as DATA_FRAG
    fragments_per_message: int  # in one DATA_FRAG submessage
    message_bytes: int  # greatest RTPS message seen
    header_bytes: int
    header_to_many_bytes: int
    fragment_header_bytes: int  # around the fragments in a sample's first message
    fragment_header_next_bytes: int  # and in its further messages
    heartbeat_frag_bytes: int  # added to each but the last of these by a reliable writer
    heartbeat_bytes: int  # added to a sample's (last) message, where `Answers.carried`
    heartbeat_message_bytes: int
    acknack_message_bytes: int
    multicast_from_machines: int | None  # so many remote machines with readers are served by one multicast
    answers: tuple[Answers, ...] = ()  # by rate, ascending; of a writer that keeps its last 16 samples

    def answers_at(self, rate_hz: float) -> Answers:
        """The measured row of the nearest rate (by ratio)."""
        return min(self.answers, key=lambda row: max(row.rate_hz / rate_hz, rate_hz / row.rate_hz))


@dataclass(frozen=True, slots=True)
class Profile:
    """One library, as measured.  `discovery` is read by toprung.forecast.exchange alone."""

    middleware: Middleware
    library: str  # name and version
    measured: str  # day, ISO 8601
    data: DataPhase
    discovery: dict[str, Any] = field(default_factory=dict)


MEASURED = (Middleware.CYCLONE, Middleware.FAST)
UNSAID = Middleware.CYCLONE  # what is taken where the site does not say


def profile_of(middleware: Middleware | None) -> Profile:
    """The library's profile; where the site names none, or one that nobody measured, Cyclone DDS's."""
    return _read(middleware if middleware in MEASURED else UNSAID)


@cache
def _read(middleware: Middleware) -> Profile:
    text = (files("toprung.forecast") / "profiles" / f"{middleware.value}.yaml").read_text("utf-8")
    said = yaml.load(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))
    data = dict(said["data"])
    answers = tuple(Answers(*row) for row in data.pop("answers"))
    return Profile(
        middleware, said["library"], said["measured"], DataPhase(**data, answers=answers), said["discovery"]
    )
