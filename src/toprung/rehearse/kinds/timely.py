"""Faults of time: samples that are late, and clocks that disagree."""

from __future__ import annotations

from toprung.model.ladder import Flow
from toprung.rehearse.kinds.kind import (
    Ask,
    Key,
    Kind,
    Subject,
    flows_of_participants,
    seconds,
    signed_seconds,
)
from toprung.rehearse.kinds.places import WAY, flows_passing, passing, put
from toprung.rehearse.specs import Plan, Rule

CLEARLY = 1.2  # times a limit


def _delay(plan: Plan, ask: Ask) -> None:
    put(plan, ask, Rule("delay", delay_s=ask.values["by"]))


def _too_late(ask: Ask) -> list[Flow]:
    by = ask.values["by"]
    return [f.flow for f in passing(ask) if f.within_ns is not None and by > CLEARLY * f.within_ns / 1e9]


def _bursts(plan: Plan, ask: Ask) -> None:
    put(plan, ask, Rule("burst", burst_s=ask.values["every"]))


def _held_up(ask: Ask) -> list[Flow]:
    """A burst holds the eldest for the whole time: one in twenty at least waits nine tenths of it."""
    every = 0.9 * ask.values["every"]
    return [f.flow for f in passing(ask) if f.within_ns is not None and every > CLEARLY * f.within_ns / 1e9]


def _shift(plan: Plan, ask: Ask) -> None:
    plan.machines[ask.subject].clock_s += ask.values["by"]


def _misled(ask: Ask) -> list[Flow]:
    """The flows that carry the machine's stamps to others, and must be young."""
    by, names = abs(ask.values["by"]), set(ask.participants())
    demanding = {
        f.flow
        for f in ask.flows()
        if f.writer in names and f.within_ns is not None and by > CLEARLY * f.within_ns / 1e9
    }
    return [f for f in flows_of_participants(ask) if f in demanding]


KINDS = (
    Kind(
        "delayed",
        Subject.ON_LINK,
        "everything passes late",
        ("late",),
        _delay,
        _too_late,
        flows_passing,
        keys=(Key("by", "450ms", seconds, "how late"), WAY),
        timed=True,
    ),
    Kind(
        "bursts",
        Subject.ON_LINK,
        "everything is held up and let go in bursts",
        ("jitter", "late"),
        _bursts,
        _held_up,
        flows_passing,
        keys=(Key("every", "800ms", seconds, "from burst to burst"), WAY),
        timed=True,
    ),
    Kind(
        "clock-shifted",
        Subject.MACHINE,
        "the machine's clock is ahead, or behind with a minus",
        ("clock-offset",),
        _shift,
        _misled,
        flows_of_participants,
        keys=(Key("by", "3s", signed_seconds, "ahead of the others"),),
    ),
)
