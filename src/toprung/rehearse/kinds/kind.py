"""What a kind of fault is: its words, what it does to a plan, and which causes then stand in which flows."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from ipaddress import ip_address
from typing import Any, Literal

from toprung.errors import UsageError
from toprung.model import units
from toprung.model.ladder import Flow
from toprung.model.site import DeclaredFlow, Site
from toprung.rehearse.specs import PeerSpec, Plan


class Subject(StrEnum):
    """What a kind of fault happens to, in the help's words."""

    WHO = "PARTICIPANT|MACHINE"
    PARTICIPANT = "PARTICIPANT"
    MACHINE = "MACHINE"
    LINK = "LINK"
    LINK_END = "LINK/MACHINE"
    ON_LINK = "LINK[/MACHINE]"
    PLACE = "LINK[/MACHINE]|MACHINE"  # a machine alone: its own firewall
    TOPIC = "TOPIC"
    SITE = "all"


@dataclass(frozen=True, slots=True)
class Ask:
    """One fault as somebody asked for it."""

    site: Site
    subject: str
    values: Mapping[str, Any]
    at_s: float | None = None

    @property
    def words(self) -> str:
        return f"fault of {self.subject}"

    def participants(self) -> tuple[str, ...]:
        """The participants meant: one by its name, or all of a machine."""
        names = {p.name for p in self.site.participants}
        if self.subject in names:
            return (self.subject,)
        return tuple(p.name for p in self.site.participants if p.machine == self.subject)

    def peers(self, plan: Plan) -> list[PeerSpec]:
        return [plan.peers[name] for name in self.participants()]

    def flows(self) -> tuple[DeclaredFlow, ...]:
        return self.site.flows()

    def machine_of(self, participant: str) -> str:
        return self.site.participant(participant).machine


Read = Callable[[str], Any]
Change = Callable[[Plan, Ask], None]
Flows = Callable[[Ask], Iterable[Flow]]


@dataclass(frozen=True, slots=True)
class Key:
    """A value that a fault takes.  `default`: as somebody would write it; "" where left out means unset (of a
    needed one: an error).
    """

    name: str
    default: str
    read: Read
    says: str
    needed: bool = False


def nothing(ask: Ask) -> Iterable[Flow]:
    """No flow."""
    return ()


@dataclass(frozen=True, slots=True)
class Kind:
    """One word of the vocabulary."""

    code: str
    subject: Subject
    says: str
    causes: tuple[str, ...]  # of `toprung.model.causes`: any of them is a right answer
    change: Change
    breaks: Flows  # flows that cannot work with it
    touches: Flows = nothing  # flows of which some break and some do not
    keys: tuple[Key, ...] = field(default=())
    at_s: float | None = None  # when it happens where nothing else is asked; None: before the start
    timed: bool = False  # whether another time can be asked for
    library: Literal["", "cyclone", "fast"] = ""  # the only one that can be made to do it


# values


def quantity(dimension: units.Dimension, per: float = 1.0) -> Read:
    """A number with its unit, divided by `per`; raises QuantityError."""
    return lambda text: units.number_of(text, dimension) / per


def octets(text: str) -> int:
    """A size in bytes."""
    return int(units.number_of(text, units.SIZE))


seconds = quantity(units.TIME, 1e9)
share = quantity(units.SHARE)
hertz = quantity(units.RATE)
bits = quantity(units.BIT_RATE)


def signed_seconds(text: str) -> float:
    """A time ahead, or behind where a minus stands before it."""
    return -float(seconds(text[1:])) if text.startswith("-") else float(seconds(text))


def whole(text: str) -> int:
    """A whole number."""
    if not text.isdecimal():
        raise units.QuantityError(f'"{units.shortened(text)}" is no whole number', "a number like 7")
    return int(text)


def address(text: str) -> str:
    """An IP address."""
    try:
        return str(ip_address(text))
    except ValueError:
        raise units.QuantityError(
            f'"{units.shortened(text)}" is no address', "an address like 10.77.2.40"
        ) from None


def one_of(*choices: str) -> Read:
    """One of a few words."""

    def read(text: str) -> str:
        if text not in choices:
            raise units.QuantityError(f'"{units.shortened(text)}" is none of them', ", ".join(choices))
        return text

    return read


def text(word: str) -> str:
    return word


# flows


def flows_of_participants(ask: Ask) -> list[Flow]:
    """Flows between the participants meant and all others."""
    return flows_between(ask, ask.participants())


def flows_between(ask: Ask, names: Iterable[str]) -> list[Flow]:
    """Flows with exactly one end among these participants."""
    inside = set(names)
    return [f.flow for f in ask.flows() if (f.writer in inside) != (f.reader in inside)]


def flows_on_topic(ask: Ask) -> list[Flow]:
    """The flows of the topic meant."""
    return [f.flow for f in ask.flows() if f.topic == ask.subject]


def unfit(ask: Ask, what: str, right: str) -> UsageError:
    """The fault cannot be made on this site."""
    return UsageError(what, ask.words, right)


# endpoints


def wire_topics(ask: Ask) -> set[str]:
    return {f.wire_topic for f in ask.flows() if f.topic == ask.subject}


def writers_on_topic(plan: Plan, ask: Ask) -> list[Any]:
    """The specs of the topic's writers."""
    names = wire_topics(ask)
    return [e for p in plan.peers.values() for e in p.writers if e.topic in names]


def readers_on_topic(plan: Plan, ask: Ask) -> list[Any]:
    names = wire_topics(ask)
    return [e for p in plan.peers.values() for e in p.readers if e.topic in names]
