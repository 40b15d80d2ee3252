"""What a middleware library does on the wire: a measured profile, one small data file for each library.

The files in `profiles/` name the library's version and the day.  Their data phase is measured from real
traffic by `tests/live/data_profile.py`, discovery by `tests/live/discovery_profile.py`, which also says what
was read off captures by hand; only the central server's shares are least squares.  Sizes of announcements
are not in them, since those are encoded anew for every site (`toprung.forecast.announcing`).

Builtin writers by their short names: spdp participants, pub and sub endpoints, pmd liveliness, tlq and tla
the type look-up's requests and replies.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import yaml

from toprung.model.site import Middleware


@dataclass(frozen=True, slots=True)
class DataPhase:
    """How samples of user topics travel; all sizes are bytes of the UDP payload.

    A sample's payload counts with its 4-byte encapsulation header.  `header_bytes` is everything around
    the payload in a message with one whole sample: RTPS header, INFO_DST, INFO_TS, DATA, vendor's
    submessage.  One that goes to several readers at once may lack INFO_DST.
    """

    fragment_bytes: int  # payload in one fragment
    fragments_per_message: int  # in one DATA_FRAG submessage; a sample that this holds goes whole, as DATA
    message_bytes: int  # greatest RTPS message; what no longer fits goes in the next
    header_bytes: int
    header_to_many_bytes: int
    fragment_header_bytes: int  # around the fragments in a sample's first message
    fragment_header_next_bytes: int  # and in its further messages
    heartbeat_frag_bytes: int  # added to each but the last of these by a reliable writer
    heartbeat_bytes: int  # in a sample's message
    heartbeat_message_bytes: int  # alone
    acknack_message_bytes: int
    announces_multicast: bool  # readers do, for samples
    multicast_from: int  # so many reading participants with such an address on one link, own machine included
    every_address: bool  # a copy, and a reader's answer, goes to each announced address of the other side
    heartbeat_always: bool  # in each sample's last message
    answered_after_s: float | None  # a sample that comes so long after the one before demands an answer
    heartbeat_period_s: float | None  # alone; answered where something is not acknowledged
    heartbeat_after_bytes: int | None  # in a sample's message, after so many bytes of samples; and always
    # where the writer's history is full of unacknowledged samples, or the sample goes in fragments
    answer_delay_s: float  # a reader's one answer to all that comes within
    repairs_by_fragment: bool  # else in one message what was lost since the last answer


Groups = tuple[tuple[str, ...], ...]  # builtin writers; those of one group share a message


@dataclass(frozen=True, slots=True)
class Rules:
    """How participants of a library find each other and exchange what they have.  Times in seconds."""

    lease_s: float
    first_announcements_s: tuple[float, ...]  # after the start
    period_s: float  # after the last of those
    to_known: bool  # every announcement goes to each known participant by unicast, too
    on_meeting: bool  # meeting a new participant is a reason for an announcement
    answers_s: tuple[float, ...]  # unicast announcements to one newly met, heard by multicast or as a peer
    probed_ports: int  # of each peer's address
    probing: float | None  # so many announcements probe (mean), then only the known are told; None: all
    multicast_from: int | None  # known participants from which builtin writers multicast; None: never
    heartbeats: Groups  # to one newly met
    rest_s: float  # after heartbeats to anybody, none for a new one: it has to ask
    remaining: Groups  # heartbeats by multicast instead, where builtin writers multicast
    heartbeat_after_s: float  # the meeting
    asks: Groups  # what a reader that got no heartbeat sends
    ask_after_s: float  # and again as often
    acknowledges: bool  # data in bulk is acknowledged at once
    resend_bytes: int  # greatest message of data in bulk
    confirms: Groups  # heartbeats while something is not acknowledged
    confirm_after_s: float
    patience: int  # repeats of these and of asking before their waits double; 0: they never do
    liveliness_period_s: float | None
    spending_bytes: int | None  # data in bulk after which a writer adds heartbeats to everybody; None: never
    echoes: float  # such heartbeats for each further bulk
    split: float  # share of heartbeats and answers that leave alone, though one message could hold them
    reaction_s: float  # from a datagram's arrival to its answer
    digest_s: float  # between an announcement's arrival and readiness for heartbeats
    deaf_s: float  # after its first announcement a participant does not hear

    @property
    def lively(self) -> bool:
        """Whether participants assert their liveliness by messages of their own."""
        return self.liveliness_period_s is not None


@dataclass(frozen=True, slots=True)
class Parameters:
    """What announcements are made of: parameter ids in the order of the wire, and the constants in them."""

    participant: tuple[int, ...]
    writer: tuple[int, ...]
    reader: tuple[int, ...]
    writer_unless: frozenset[int]  # of these, those sent only if the QoS differs from the standard's default
    reader_unless: frozenset[int]
    properties: tuple[tuple[str, str], ...]
    binary_properties: bool  # their list follows, empty
    vendor: dict[int, bytes]  # of the vendor's own ids; {host} stands for the machine's name
    type_information_bytes: int  # of a type without dependencies
    shared_memory: bool  # one more locator, and participants of one machine talk by it alone
    representations: tuple[int, ...]  # that a reader announces
    trailer_bytes: int  # the vendor's submessage at the end of each message


Share = tuple[float, float]  # datagrams and bytes


@dataclass(frozen=True, slots=True)
class Way:
    """What goes one way between a client and its server in the first 15 s: a sum of these.

    Bytes of introductions are not in them: `endpoint` and `matched` come on top of each one's own.
    """

    client: Share  # once
    partner: Share  # for each other client that it shares a topic with
    endpoint: Share  # for each of its own
    matched: Share  # for each of its partners' that it uses
    later: Share  # for each client that starts after it


@dataclass(frozen=True, slots=True)
class Central:
    """A library's central discovery server, and its clients."""

    to_server: Way
    to_client: Way
    periods_s: float  # between announcements, both ways
    announced: tuple[int, int]  # bytes of a client's, and of the server's
    greeting: Share  # each way between two clients that match
    introducing_s: float  # from a client's start until it offers its endpoints to the server


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """One library, as measured."""

    middleware: Middleware
    library: str  # name and version
    measured: str  # day, ISO 8601
    vendor: int
    data: DataPhase
    rules: Rules
    parameters: Parameters
    central: Central | None  # None: the library has no server


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
    return Profile(
        middleware,
        said["library"],
        said["measured"],
        said["vendor"],
        DataPhase(**data),
        Rules(**{name: _frozen(value) for name, value in said["discovery"].items()}),
        _parameters(said["parameters"]),
        _central(said["server"]) if "server" in said else None,
    )


def _frozen(value: Any) -> Any:
    return tuple(map(_frozen, value)) if isinstance(value, list) else value


def _parameters(said: dict[str, Any]) -> Parameters:
    plain = {name: _frozen(value) for name, value in said.items()}
    for side in ("writer_unless", "reader_unless"):
        plain[side] = frozenset(said[side])
    plain["properties"] = tuple(said["properties"].items())
    plain["vendor"] = {pid: bytes.fromhex(octets) for pid, octets in said["vendor"].items()}
    return Parameters(**plain)


def _central(said: dict[str, Any]) -> Central:
    plain = {name: _frozen(value) for name, value in said.items()}
    for way in ("to_server", "to_client"):
        plain[way] = Way(**{name: _frozen(value) for name, value in said[way].items()})
    return Central(**plain)
