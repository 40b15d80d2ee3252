"""Strays: endpoints on a topic that nobody declared for their participant, and that somebody may "
"have meant."""

from __future__ import annotations

from toprung.diagnose.names import nearest
from toprung.diagnose.scene import Case, End, Scene
from toprung.model.picture import Endpoint


def near_miss(scene: Scene, case: Case, end: End) -> Endpoint | None:
    """The end's endpoint of nearly the flow's topic name, where it has none of the very name."""
    if not end.seen or scene.ends_on_topic(end, case):
        return None
    declared = scene.wire_topics_of(end.name)
    strays = {
        e.topic: e for e in scene.endpoints_of(end.lives, end.side) if e.topic and e.topic not in declared
    }
    found = nearest(case.declared.wire_topic, strays)
    return None if found is None else strays[found]
