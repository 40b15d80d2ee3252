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
    def is_heard(self) -> bool:
        """The listener's machine got an announcement, or the listener speaks to the speaker by name."""
        scene, views = self.scene, self.scene.views_at(self.listener.machine)
        if any(a.view in views and a.outgoing is not True for p in self.lives for a in p.announced):
            return True
        if self.case.one_machine and any(p.announced for p in self.lives):
            return True
        return bool(
            builtin_dialogues(scene, self.listener.lives, self.speaker.lives)
            or [d for d in builtin_dialogues(scene, self.speaker.lives, self.listener.lives) if d.acknacks]
        )
