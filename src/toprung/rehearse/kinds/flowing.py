"""Faults of the flow: samples that are not written, get lost, or are written by others."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace

from toprung.model.ladder import Flow
from toprung.model.site import DeclaredFlow
from toprung.rehearse.kinds.kind import (
    Ask,
    Key,
    Kind,
    Subject,
    bits,
    flows_on_topic,
    hertz,
    octets,
    one_of,
    readers_on_topic,
    share,
    text,
    unfit,
    writers_on_topic,
)
from toprung.rehearse.kinds.places import WAY, flows_passing, forth, passing, put
from toprung.rehearse.specs import Event, PeerSpec, Plan, Rule, SetRules

PACKET = 1472  # bytes of a datagram's piece in one Ethernet frame
LOSS_TOLERATED = 0.2  # what the diagnosis bears where the site declares no limit
CLEARLY = 1.5  # times a limit: chance does not decide
SQUEEZE = 0.4  # of what the site sends: a link that is clearly too thin


def _silent(plan: Plan, ask: Ask) -> None:
    for endpoint in writers_on_topic(plan, ask):
        endpoint.silent = True


def _with_rate(ask: Ask) -> list[Flow]:
    return [f.flow for f in ask.flows() if f.topic == ask.subject and f.rate_hz is not None]


def _slow(plan: Plan, ask: Ask) -> None:
    for endpoint in writers_on_topic(plan, ask):
        endpoint.rate = ask.values["rate"] or (endpoint.rate or 1.0) / 5


def _lose(plan: Plan, ask: Ask) -> None:
    put(plan, ask, Rule(udp=True, share=float(ask.values["share"])))


def _reliable(flow: DeclaredFlow) -> bool:
    return bool(flow.offered.qos.reliability and flow.requested.qos.reliability)


def sample_loss(flow: DeclaredFlow, frame_loss: float) -> float:
    """Share of the samples of which a frame is lost (independent losses; every piece is needed)."""
    pieces = max(1, -(-(flow.size_bytes or 100) // PACKET))
    return float(1 - (1 - frame_loss) ** pieces)


def _clearly_lossy(ask: Ask) -> list[Flow]:
    return [
        f.flow
        for f in passing(ask)
        if not _reliable(f)
        and sample_loss(f, ask.values["share"]) > CLEARLY * (LOSS_TOLERATED if f.loss is None else f.loss)
    ]


def _storm(plan: Plan, ask: Ask) -> None:
    """Big reliable samples over a link that loses: whole datagrams are sent again and again."""
    for endpoint in (*writers_on_topic(plan, ask), *readers_on_topic(plan, ask)):
        endpoint.size = ask.values["size"]
        endpoint.qos["reliability"] = "reliable"
    lossy = Rule(udp=True, share=float(ask.values["share"]))
    for link, receiver in _last_hops(ask):
        rule = replace(lossy, receiver=receiver)
        if ask.at_s is None:
            plan.links[link].rules.append(rule)
        else:
            rules = (*plan.links[link].rules, rule)
            plan.events.append(Event(ask.at_s, SetRules(link, rules)))


def _last_hops(ask: Ask) -> list[tuple[str, str]]:
    """The links by which the topic's samples reach its readers' machines."""
    flows = [f for f in ask.flows() if f.topic == ask.subject]
    found = {(w[-1].link, w[-1].receiver.machine) for f in flows for w in forth(ask, f) if w}
    if not found:
        raise unfit(ask, "the topic crosses no link", "a topic between two machines")
    return sorted(found)


def _beside_storm(ask: Ask) -> list[Flow]:
    """What shares the lossy way may lose samples, too."""
    hops = set(_last_hops(ask))
    return [
        f.flow
        for f in ask.flows()
        if any(
            (h.link, h.receiver.machine) in hops or (h.link, h.sender.machine) in hops
            for w in forth(ask, f)
            for h in w
        )
    ]


def _rival(plan: Plan, ask: Ask) -> None:
    """A forgotten program writes the topic, too."""
    models = writers_on_topic(plan, ask)
    if not models:
        raise unfit(ask, "nobody writes the topic", "a topic with a writer")
    owner = next(p for p in plan.peers.values() if models[0] in p.writers)
    machine = ask.values["on"] or owner.machine
    if machine not in plan.machines:
        raise unfit(ask, f'there is no machine "{machine}"', ", ".join(plan.machines))
    writer = deepcopy(models[0])
    if writer.qos.get("ownership") == "exclusive":
        writer.qos["strength"] = writer.qos.get("strength", 0) + 8
    name = ask.values["name"]
    plan.peers[name] = PeerSpec(
        name,
        machine,
        ask.values["library"] or owner.middleware,
        domain=owner.domain,
        mode=owner.mode,
        peers=list(owner.peers),
        server=owner.server,
        writers=[writer],
    )


def _latecomers(ask: Ask) -> list[str]:
    return [f.reader for f in ask.flows() if f.topic == ask.subject]


def _join_late(plan: Plan, ask: Ask) -> None:
    """Written once and not kept; the readers begin later."""
    for endpoint in writers_on_topic(plan, ask):
        endpoint.rate, endpoint.count, endpoint.qos["durability"] = None, 1, "volatile"
    for endpoint in readers_on_topic(plan, ask):
        endpoint.qos["durability"] = "volatile"
    for name in set(_latecomers(ask)):
        plan.peers[name].begins_s = ask.at_s or 0.0


def _of_latecomers(ask: Ask) -> list[Flow]:
    late = set(_latecomers(ask))
    return [f.flow for f in ask.flows() if {f.writer, f.reader} & late]


def load_bps(ask: Ask, link: str) -> float:
    """What the declared flows put on a link, in its busier direction or, on the air, in both."""
    carried = 0.0
    for f in ask.flows():
        if any(h.link == link for way in forth(ask, f) for h in way):
            carried += 8 * (f.rate_hz or 0.0) * ((f.size_bytes or 100) + 100)
    return carried


def _thin(plan: Plan, ask: Ask) -> None:
    rate = ask.values["rate"] or max(64e3, SQUEEZE * load_bps(ask, ask.subject))
    spec = plan.links[ask.subject]
    spec.rate_bps = rate
    if spec.multicast_rate_bps is not None:
        spec.multicast_rate_bps = min(spec.multicast_rate_bps, rate)


def _biggest(ask: Ask) -> list[Flow]:
    """The flows that cannot fit: unreliable, and more than the link carries by themselves."""
    limit = ask.values["rate"] or SQUEEZE * load_bps(ask, ask.subject)
    return [
        f.flow
        for f in passing(ask)
        if not _reliable(f) and 8 * (f.rate_hz or 0) * (f.size_bytes or 0) > CLEARLY * limit
    ]


KINDS = (
    Kind(
        "silent-writer",
        Subject.TOPIC,
        "the topic's writers are matched and write nothing",
        ("writer-silent",),
        _silent,
        _with_rate,
        flows_on_topic,
    ),
    Kind(
        "slow-writer",
        Subject.TOPIC,
        "the topic is written more rarely than declared",
        ("rate-low",),
        _slow,
        _with_rate,
        flows_on_topic,
        keys=(Key("rate", "", hertz, "the real rate; left out: a fifth"),),
    ),
    Kind(
        "random-loss",
        Subject.ON_LINK,
        "frames are lost by chance",
        ("loss",),
        _lose,
        _clearly_lossy,
        flows_passing,
        keys=(Key("share", "15%", share, "of the frames"), WAY),
        timed=True,
    ),
    Kind(
        "resend-storm",
        Subject.TOPIC,
        "big reliable samples over a link that loses frames",
        ("resend-storm", "loss"),
        _storm,
        flows_on_topic,
        _beside_storm,
        keys=(
            Key("share", "8%", share, "of the frames that get lost"),
            Key("size", "250kB", octets, "the samples' size"),
        ),
        timed=True,
    ),
    Kind(
        "second-commander",
        Subject.TOPIC,
        "a forgotten program writes the topic, too",
        ("rival-writers",),
        _rival,
        flows_on_topic,
        keys=(
            Key("on", "", text, "its machine; left out: the writer's"),
            Key("name", "joystick", text, "its name"),
            Key("library", "", one_of("cyclone", "fast"), "its middleware; left out: the writer's"),
        ),
    ),
    Kind(
        "late-reader",
        Subject.TOPIC,
        "the topic is written once and not kept, and its readers begin later",
        ("joined-late",),
        _join_late,
        flows_on_topic,
        _of_latecomers,
        at_s=4.0,
        timed=True,
    ),
    Kind(
        "thin-link",
        Subject.LINK,
        "the link carries less than is sent",
        ("link-full", "loss"),
        _thin,
        _biggest,
        flows_passing,
        keys=(Key("rate", "", bits, "what it carries; left out: 40 % of what is declared"),),
    ),
)
