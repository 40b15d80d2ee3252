"""How old samples are on arrival, and whether the clocks that say so can be trusted."""

from __future__ import annotations

from toprung.diagnose.clocks import clocks
from toprung.diagnose.delivery import Delivery
from toprung.diagnose.scene import Case, Scene
from toprung.model.picture import Samples, Spread


def age_on_arrival(scene: Scene, case: Case, found: Delivery) -> Spread | None:
    """How old samples are on arrival, the clocks' difference taken out; None where it cannot be told."""
    if found.came is None:
        return None
    age = found.came.age or _delay(scene, case, found.came)
    return None if age is None else shifted(age, _clock_shift(scene, case))


def clocks_known(scene: Scene, case: Case) -> bool:
    """Whether ages are free of a clock's error: one clock, or two that were compared."""
    return case.one_machine or {case.writer.machine, case.reader.machine} <= clocks(scene).keys()


def shifted(spread: Spread, by: float) -> Spread:
    """The spread with so much taken off every value."""
    return Spread(
        spread.count, spread.least - by, spread.p05 - by, spread.p50 - by, spread.p95 - by, spread.most - by
    )


def _delay(scene: Scene, case: Case, came: Samples) -> Spread | None:
    """The delay of the datagrams that carry the samples, where these have no stamp of their own."""
    crossed = [
        c.delay
        for c in scene.crossings(case.writer.machine, case.reader.machine)
        if c.delay and c.destination == came.destination and c.fragmented == (came.fragments > 1)
    ]
    return max(crossed, key=lambda s: s.count, default=None)


def _clock_shift(scene: Scene, case: Case) -> float:
    """Reader's clock less writer's, in seconds: what an age reads too much."""
    known = clocks(scene)
    reader, writer = known.get(case.reader.machine), known.get(case.writer.machine)
    return reader.ahead_s - writer.ahead_s if reader and writer else 0.0
