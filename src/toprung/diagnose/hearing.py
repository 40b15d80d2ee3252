"""Hearing: one participant's announcements, and what of them can come to another's machine."""

from __future__ import annotations

from dataclasses import dataclass

from toprung.diagnose.passage import shared_hosts
from toprung.diagnose.proof import builtin_dialogues
from toprung.diagnose.scene import Case, End, Scene
from toprung.model.picture import Announced, Participant


@dataclass(frozen=True, slots=True)
class Hearing:
    """One direction: the speaker's announcements at the listener."""

    scene: Scene
    case: Case
    speaker: End
    listener: End

    @property
    def subject(self) -> str:
        return f"{self.speaker.name} ({self.speaker.machine})"

    @property
    def lives(self) -> tuple[Participant, ...]:
        return tuple(self.scene.participant(i) for i in self.speaker.lives)

    @property
    def own(self) -> list[Announced]:
        """Announcements as the speaker's own machine shows them leaving."""
        views = self.scene.views_at(self.speaker.machine)
        return [a for p in self.lives for a in p.announced if a.view in views and a.outgoing is not False]

    @property
    def towards(self) -> list[Announced]:
        """Those of them that can get to the listener's machine."""
        return [a for a in self.own if self.may_reach(a)]

    def may_reach(self, announced: Announced) -> bool:
        """Whether this announcement goes where the listener's machine can get it."""
        if not announced.multicast:
            return announced.destination in self.scene.hosts(self.listener.machine)
        near = shared_hosts(self.scene, self.speaker.machine, self.listener.machine)
        return near is None or announced.source in near

    @property
    def reacts(self) -> bool:
        """Whether the listener speaks to the speaker by name, or answers it."""
        return bool(
            builtin_dialogues(self.scene, self.listener.lives, self.speaker.lives)
            or [
                d
                for d in builtin_dialogues(self.scene, self.speaker.lives, self.listener.lives)
                if d.acknacks
            ]
        )

    @property
    def is_heard(self) -> bool:
        """Whether the listener's machine got an announcement where the listener looks for it."""
        if self.reacts or (self.case.one_machine and any(p.announced for p in self.lives)):
            return True
        views = self.scene.views_at(self.listener.machine)
        came = [a for p in self.lives for a in p.announced if a.view in views and a.outgoing is not True]
        return any(a.multicast or a.port in self.doors for a in came) or self._is_relayed

    @property
    def doors(self) -> frozenset[int]:
        """Ports where the listener takes discovery unicast."""
        listeners = (self.scene.participant(i) for i in self.listener.lives)
        return frozenset(x.port for p in listeners for x in p.metatraffic_unicast)

    @property
    def _is_relayed(self) -> bool:
        """Whether a discovery server passed the speaker on and speaks to the listener's machine."""
        servers = {self.scene.index_of.get(prefix) for p in self.lives for prefix in p.relayed_by}
        hosts = self.scene.hosts(self.listener.machine)
        return any(s.destination in hosts for s in self.scene.streams_of(i for i in servers if i is not None))
