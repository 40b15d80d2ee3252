"""Participants that are not there, or no longer."""

from __future__ import annotations

from toprung.diagnose.life import Fate, Life, life_of
from toprung.diagnose.scene import Case, End, Scene
from toprung.model.picture import NoticeKind, View
from toprung.model.site import Middleware
from toprung.model.verdict import Verdict, broken

# Every live participant announces itself once in such a time: measured periods of 8 s and 3 s
# (docs/wire-notes.md) with a margin; the standard's own is 30 s (DDSI-RTPS 2.5, 9.6.2.4)
ANNOUNCED_WITHIN_S = {Middleware.CYCLONE: 8.3, Middleware.FAST: 4.0}
STANDARD_WITHIN_S = 31.0
SHORTEST_S = 4.0  # a capture below tells nothing of who is silent


def covered(scene: Scene, end: End) -> list[View]:
    """Captures of the end's machine that would hold an announcement of it, were it there.

    Long ones do; shorter ones where discovery begins in them: whoever is there announces itself when it
    starts, and answers newcomers.
    """
    middleware = scene.site.participant(end.name).middleware
    within = (
        STANDARD_WITHIN_S if middleware is None else ANNOUNCED_WITHIN_S.get(middleware, STANDARD_WITHIN_S)
    )
    views = {v: scene.picture.views[v] for v in sorted(scene.views_at(end.machine))}
    return [
        view
        for v, view in views.items()
        if view.packets
        and (lasting := (view.last_ns - view.first_ns) / 1e9) >= SHORTEST_S
        and (lasting >= within or _begins(scene, end, v))
    ]


def _begins(scene: Scene, end: End, view: int) -> bool:
    """Whether discovery begins in this view: the end's participant, or where it is not there any other,
    introduces its endpoints in it."""
    newcomers = end.lives or range(len(scene.picture.participants))
    return any(m.view == view for e in scene.endpoints_of(newcomers) for m in e.introduced)


def absent(scene: Scene, case: Case) -> Verdict | None:
    return next((v for end in case.ends if not end.seen and (v := _silent(scene, end)) is not None), None)


def _silent(scene: Scene, end: End) -> Verdict | None:
    if _speaks_unseen(scene, end) or _shares_identity(scene, end) or _finds_nobody(scene, end):
        return None
    watched = covered(scene, end)
    if not watched or not scene.picture.participants or not scene.cast.complete(end.machine):
        return None
    view = watched[0]
    lasting = (view.last_ns - view.first_ns) / 1e9
    mark = scene.first_mark(view)
    return broken(
        "participant-silent",
        f"{end.name} ({end.machine})",
        f"{end.name} never announced itself: {view.label}, taken on {end.machine}, holds nothing of it in "
        f"{lasting:.0f} s.",
        f"No reader or writer of {end.name} exists for anybody else.",
        (scene.evidence(mark, f"the capture on {end.machine} begins here and holds no announcement of it"),),
        (f"Start {end.name} on {end.machine}, and look at its own log for why it does not speak DDS.",),
    )


def _speaks_unseen(scene: Scene, end: End) -> bool:
    """Whether the end talks to a discovery server on its own machine, where no capture shows it."""
    discovery = scene.site.participant(end.name).discovery
    return bool(discovery and discovery.server and discovery.server[0] in scene.hosts(end.machine))


def _finds_nobody(scene: Scene, end: End) -> bool:
    """Whether the machine asks for addresses and gets no answer: what it wants to say cannot even leave."""
    views, hosts = scene.views_at(end.machine), scene.hosts(end.machine)
    said = [n for n in scene.picture.notices if n.view in views]
    found = {n.source for n in said if n.kind is NoticeKind.ARP_REPLY}
    return any(
        n.kind is NoticeKind.ARP_REQUEST and n.source in hosts and n.about not in found | hosts for n in said
    )


def _shares_identity(scene: Scene, end: End) -> bool:
    """Whether somebody of another machine speaks from this one, too: then that may be the missing one."""
    every = map(scene.homes, range(len(scene.picture.participants)))
    return any(end.machine in homes and len(homes) > 1 for homes in every)


def ended(scene: Scene, case: Case) -> Verdict | None:
    for end, other in ((case.writer, case.reader), (case.reader, case.writer)):
        life = life_of(scene, end)
        counterpart = life_of(scene, other)
        if life is None or life.fate not in ENDINGS:
            continue
        if counterpart is not None and _stopped_together(life, counterpart):
            continue
        return _end_verdict(scene, end, life)
    return None


def _stopped_together(one: Life, other: Life) -> bool:
    """Both ended within moments: somebody switched the whole thing off."""
    return other.fate in (Fate.LEFT, Fate.LOST) and abs(one.last.time_ns - other.last.time_ns) < 1.5e9


ENDINGS: dict[Fate, tuple[str, str, str, tuple[str, ...]]] = {
    Fate.LEFT: (
        "participant-left",
        "{name} said goodbye and did not come back.",
        "its goodbye",
        ("Find out why {name} was stopped on {machine}, and start it again.",),
    ),
    Fate.LOST: (
        "participant-lost",
        "{name} fell silent without a goodbye {silent:.1f} s before the capture ends.",
        "the last sign of life of {name}",
        (
            "Look for a crash of {name} on {machine} (its log, the kernel's log, the power supply).",
            "Have it restarted by a supervisor; the base must stop by its own watchdog meanwhile.",
        ),
    ),
    Fate.LAPSED: (
        "lease-lapsed",
        "{name} comes and goes: between two of its announcements passes more than its lease.",
        "the last announcement of {name} in this capture",
        (
            "Announce more often than the lease, or lengthen the lease of {name}.",
            "Look for what holds {name} up: a suspended process, a sleeping radio, an overloaded machine.",
        ),
    ),
}


def _end_verdict(scene: Scene, end: End, life: Life) -> Verdict:
    code, says, mark_says, remedies = ENDINGS[life.fate]
    words = {"name": end.name, "machine": end.machine, "silent": life.silent_s}
    return broken(
        code,
        f"{end.name} ({end.machine})",
        says.format(**words),
        f"Flows from and to {end.name} stop.",
        (scene.evidence(life.last, mark_says.format(**words)),),
        tuple(r.format(**words) for r in remedies),
    )
