"""Faults of introduction: endpoints that the other side never learns of."""

from __future__ import annotations

from toprung.model.ladder import Flow
from toprung.rehearse.kinds.kind import (
    Ask,
    Key,
    Kind,
    Subject,
    address,
    flows_between,
    flows_of_participants,
    flows_on_topic,
    one_of,
    seconds,
    text,
    unfit,
    wire_topics,
)
from toprung.rehearse.specs import Event, Lapse, Plan

CLONED_PREFIX = "01.0f.aa.bb.10.20.30.40.00.00.00.01"  # 01.0f: Fast DDS's vendor id


def _unreachable(plan: Plan, ask: Ask) -> None:
    for peer in ask.peers(plan):
        used = peer.interfaces or list(plan.machines[peer.machine].interfaces)
        if peer.middleware == "cyclone" and len(used) > 1:
            raise unfit(
                ask,
                f"{peer.name} runs Cyclone DDS, which announces another address only for a single interface",
                "a participant with one interface, or --peers fast",
            )
        peer.locators = [ask.values["address"]]


def _among(ask: Ask) -> list[Flow]:
    """Flows between participants of one machine: other ways (memory, loopback) may carry them."""
    names = set(ask.participants())
    return [
        f.flow
        for f in ask.flows()
        if {f.writer, f.reader} & names and ask.machine_of(f.writer) == ask.machine_of(f.reader)
    ]


def _from_outside(ask: Ask) -> list[Flow]:
    inside = set(_among(ask))
    return [f for f in flows_of_participants(ask) if f not in inside]


def _cloned(plan: Plan, ask: Ask) -> None:
    other = ask.values["of"]
    if other not in plan.peers:
        raise unfit(ask, f'there is no participant "{other}"', ", ".join(plan.peers))
    if plan.peers[other].middleware != "fast":
        raise unfit(ask, f"{other} does not run Fast DDS", "of= a participant on Fast DDS")
    for name in (*ask.participants(), other):
        plan.peers[name].prefix = CLONED_PREFIX


def _flows_of_both(ask: Ask) -> list[Flow]:
    """Which of the two a third participant believes in is a race: either, or neither."""
    return flows_between(ask, {*ask.participants(), ask.values["of"]})


def _split(plan: Plan, ask: Ask) -> None:
    for peer in ask.peers(plan):
        peer.own_memory = True


def _leave_out(plan: Plan, ask: Ask) -> None:
    topics = wire_topics(ask)
    for peer in plan.peers.values():
        if ask.values["end"] == "writer":
            peer.writers = [e for e in peer.writers if e.topic not in topics]
        else:
            peer.readers = [e for e in peer.readers if e.topic not in topics]


def _slow(plan: Plan, ask: Ask) -> None:
    for name in ask.participants():
        lapse = Lapse(name, ask.values["stopped"], ask.values["running"])
        plan.events.append(Event(ask.at_s or 0.0, lapse))


def _pressed(ask: Ask) -> list[Flow]:
    """Flows that cannot bear the pauses."""
    pause = ask.values["stopped"]
    demanding = {
        f.flow
        for f in ask.flows()
        if f.within_ns is not None and f.within_ns / 1e9 < pause and f.rate_hz is not None
        if pause * f.rate_hz > 3
    }
    return [f for f in flows_of_participants(ask) if f in demanding]


KINDS = (
    Kind(
        "unreachable-address",
        Subject.WHO,
        "announces only an address that nobody can reach",
        ("unreachable-locator",),
        _unreachable,
        _from_outside,
        _among,
        keys=(Key("address", "172.30.9.1", address, "the announced address"),),
    ),
    Kind(
        "cloned-identity",
        Subject.PARTICIPANT,
        "has the same GUID prefix as another participant",
        ("duplicate-identity",),
        _cloned,
        _flows_of_both,
        keys=(Key("of", "", text, "the other participant", needed=True),),
        library="fast",
    ),
    Kind(
        "memory-split",
        Subject.PARTICIPANT,
        "does not share the memory that it believes to share with others on its machine",
        ("shared-memory-split",),
        _split,
        _among,
        library="fast",
    ),
    Kind(
        "endpoint-left-out",
        Subject.TOPIC,
        "the topic's writers, or its readers, are not made",
        ("endpoint-absent",),
        _leave_out,
        flows_on_topic,
        keys=(Key("end", "reader", one_of("writer", "reader"), "which of the two"),),
    ),
    Kind(
        "slowed",
        Subject.MACHINE,
        "the machine's programs run only part of the time",
        ("machine-overloaded", "discovery-overload"),
        _slow,
        _pressed,
        flows_of_participants,
        keys=(
            Key("stopped", "600ms", seconds, "how long they stand still"),
            Key("running", "200ms", seconds, "how long they run in between"),
        ),
        at_s=0.5,
        timed=True,
    ),
)
