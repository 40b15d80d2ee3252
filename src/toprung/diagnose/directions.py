"""Path faults of one direction: unicast does not get through, or gets no reaction."""

from __future__ import annotations

from toprung.diagnose.pair import ENOUGH, Pair, enough, talk
from toprung.diagnose.passage import Passage, passage, reachable
from toprung.diagnose.scene import Scene
from toprung.model.picture import Dialogue, Mark, NoticeKind, Tally
from toprung.model.verdict import Verdict, broken
from toprung.wire.ids import is_builtin

MANY_PLEAS = 6  # a writer that heard the acknowledgement sends two or three heartbeats
LONG_S = 3.0  # after which even a busy machine would have answered one of them
FEW = 4  # an answer to so many heartbeats is no answer
PATIENCE_S = 1.0  # healthy peers answer discovery within milliseconds


def one_direction(pair: Pair) -> Verdict | None:
    """Unicast of one machine does not reach the other, or gets no reaction there."""
    if any(len(pair.scene.homes(i)) > 1 for way in pair.ways for i in pair.scene.population(way.sender)):
        return None  # who answers whom is unknown where two use one identity
    return next((v for way in pair.ways if (v := _unicast_fails(pair, way)) is not None), None)


def _unicast_fails(pair: Pair, way: Passage) -> Verdict | None:
    scene = pair.scene
    if not enough(way.sent_unicast or way.arrived_unicast):
        return None
    if _refused(scene, way):
        return None  # the machine answers: it was reached, only nobody listens on that port
    lost = _all_lost(scene, way) and not way.arrived_unicast
    if lost and way.sent_unicast is not None and _lasts(way.sent_unicast.first, way.sent_unicast.last):
        mark, says = way.sent_unicast.first, f"{way.sender} sends to {way.receiver}; it does not arrive"
    elif (ignored := _ignored(scene, way)) is not None and (way.seen_coming or _is_known(scene, way)):
        plea, what = ignored
        mark, says = plea.first, f"{way.sender} asks {way.receiver} {what}, {plea.count} times, in vain"
    else:
        return None
    return _unicast_verdict(pair, way, mark, says)


def _all_lost(scene: Scene, way: Passage) -> bool:
    """Whether unicast was looked for on the other side, while both sides were captured, and not found."""
    crossed = [c for c in scene.crossings(way.sender, way.receiver) if not c.multicast]
    return any(c.sent >= ENOUGH for c in crossed) and not any(c.arrived for c in crossed)


def _is_known(scene: Scene, way: Passage) -> bool:
    """Whether the receiver speaks to the sender by name: it hears the sender's multicast, then.

    Without that, and without a capture there, one who hears nothing at all looks just the same.
    """
    other = passage(scene, way.receiver, way.sender)
    return other.arrived_unicast is not None or any(d.acknacks for d in talk(scene, way))


def _refused(scene: Scene, way: Passage) -> bool:
    hosts = scene.hosts(way.receiver)
    return any(
        n.kind is NoticeKind.PORT_UNREACHABLE and n.source in hosts and n.about in hosts
        for n in scene.picture.notices
    )


def _lasts(first: Mark, last: Mark) -> bool:
    return (last.time_ns - first.time_ns) / 1e9 >= PATIENCE_S


def _answerable(scene: Scene, way: Passage) -> frozenset[int]:
    """The sender's participants that announce an address in the receiver's reach: silence towards the
    others says nothing."""
    return frozenset(
        i
        for i in scene.population(way.sender)
        if any(
            reachable(scene, way.receiver, locator.address) is not False
            for locator in scene.participant(i).metatraffic_unicast
            if locator.kind in (1, 2)
        )
    )


def _ignored(scene: Scene, way: Passage) -> tuple[Tally, str] | None:
    """The longest plea of the sender that the receiver never heeded, if it heeded none, and what it asks.

    Either the sender asks to be acknowledged, or it asks for missing introductions again and again.
    """
    views = scene.views_at(way.sender) | scene.views_at(way.receiver)  # elsewhere only half of it may pass
    able, others = _answerable(scene, way), scene.population(way.receiver)
    own = [d for d in scene.dialogues(able, others) if d.view in views]
    pleas = [(d.heartbeats, "to acknowledge") for d in own if d.heartbeats and _in_vain(d)]
    if any(d.acknowledged_below > 1 for d in own):
        pleas = [(d.heartbeats, "to acknowledge") for d in own if d.heartbeats and _deaf(d)]
    if not _loses(scene, way):
        theirs = [d for d in scene.dialogues(others, able) if d.view in views]
        if any(map(_unheard, theirs)):
            pleas += [(d.acknacks, "for what it missed") for d in theirs if d.acknacks and _never_given(d)]
    lasting = [(t, what) for t, what in pleas if enough(t) and _lasts(t.first, t.last)]
    return max(lasting, key=lambda plea: plea[0].count, default=None)


def _in_vain(dialogue: Dialogue) -> bool:
    return dialogue.written_upto >= 1 and dialogue.acknowledged_below <= 1


def _deaf(dialogue: Dialogue) -> bool:
    """Whether one discovery writer is not answered, although others of its machine are: what they wrote may
    have come by multicast."""
    beats, acks = dialogue.heartbeats, dialogue.acknacks
    return (
        is_builtin(dialogue.writer.entity)
        and _in_vain(dialogue)
        and beats is not None
        and beats.count >= MANY_PLEAS
        and (beats.last.time_ns - beats.first.time_ns) / 1e9 >= LONG_S
        and (acks is None or acks.count * FEW <= beats.count)
    )


def _never_given(dialogue: Dialogue) -> bool:
    """Whether introductions are asked for again and again, and never come."""
    return is_builtin(dialogue.writer.entity) and dialogue.asked_again >= ENOUGH and _in_vain(dialogue)


def _unheard(dialogue: Dialogue) -> bool:
    """Whether a discovery writer goes on asking although it was told that nothing is missing."""
    beats = dialogue.heartbeats
    return (
        is_builtin(dialogue.writer.entity)
        and dialogue.acknowledged_below > dialogue.written_upto >= 1
        and beats is not None
        and beats.count >= MANY_PLEAS
        and _lasts(beats.first, beats.last)
    )


def _loses(scene: Scene, way: Passage) -> bool:
    """Whether answers get lost on the way back: then the plea was heard."""
    back = scene.crossings(way.receiver, way.sender)
    return any(not c.multicast and c.sent - c.arrived >= ENOUGH for c in back)


def _unicast_verdict(pair: Pair, way: Passage, mark: Mark, says: str) -> Verdict:
    scene = pair.scene
    other = pair.back if way is pair.there else pair.there
    nothing = way.seen_coming and way.sent_multicast and not way.arrived
    code = "one-way" if nothing and other.arrived else "unicast-blocked"
    passes = {
        "unicast-blocked": "multicast passes" if way.arrived_multicast else "they are sent",
        "one-way": f"datagrams from {way.receiver} to {way.sender} pass",
    }[code]
    evidence = [scene.evidence(mark, says)]
    if (proof := way.arrived_multicast or other.arrived_unicast or other.arrived_multicast) is not None:
        evidence.append(scene.evidence(proof.first, passes))
    return broken(
        code,
        pair.name,
        f"Direct (unicast) datagrams from {way.sender} do not get through to {way.receiver}'s programs, "
        f"although {passes}.",
        f"{way.receiver} hears announcements but cannot be introduced: no flow between {way.sender} and "
        f"{way.receiver} works.",
        tuple(evidence),
        (
            f"Open {way.receiver}'s firewall for UDP from {way.sender}: the domain's discovery and "
            "data ports "
            "(and the ports that its participants announce).",
            "Check for filters on the way that pass one direction only.",
        ),
    )
