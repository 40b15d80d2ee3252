"""Two machines and what passed between them: what the checks of the path look at."""

from __future__ import annotations

from dataclasses import dataclass

from toprung.diagnose.passage import Passage, link_between
from toprung.diagnose.scene import Scene
from toprung.model.finding import Evidence
from toprung.model.picture import Dialogue, Tally

ENOUGH = 3  # datagrams: fewer may be chance


@dataclass(frozen=True, slots=True)
class Pair:
    """Two machines and what passed between them, both ways."""

    scene: Scene
    there: Passage  # first machine -> second
    back: Passage

    @property
    def name(self) -> str:
        link = link_between(self.scene, self.there.sender, self.there.receiver)
        return f"{self.there.sender} <-> {self.there.receiver}" + (f" ({link})" if link else "")

    @property
    def ways(self) -> tuple[Passage, Passage]:
        return self.there, self.back

    @property
    def proven(self) -> bool:
        """Whether datagrams were seen to come in on both machines."""
        return self.there.arrived and self.back.arrived

    @property
    def answered(self) -> bool:
        """Whether either side acknowledged what the other wrote: both directions carried something."""
        return any(
            d.acknowledged_below > 1
            for way in self.ways
            for d in talk(self.scene, way)
            if d.view not in self.scene.views_at(way.receiver)  # the acknowledgement came back, too
        )

    @property
    def first_sent(self) -> tuple[Evidence, ...]:
        """The first datagram of each direction, as evidence."""
        return tuple(
            self.scene.evidence(tally.first, f"{way.sender} sends towards {way.receiver}")
            for way in self.ways
            for tally in (way.sent_unicast or way.sent_multicast or way.arrived_multicast,)
            if tally
        )


def talk(scene: Scene, way: Passage) -> list[Dialogue]:
    """Delivery talk about the sending machine's writers with the receiving machine's participants."""
    return list(scene.dialogues(scene.population(way.sender), scene.population(way.receiver)))


def enough(tally: Tally | None) -> bool:
    """Whether a tally is more than chance."""
    return tally is not None and tally.count >= ENOUGH
