"""Listening: packets of some interfaces, folded and judged as they come, saved where that is wanted.

with Listening(Wish(("usb0",), site)) as listening:
    listening.hear(0.2)
    look = listening.look()
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from toprung.diagnose.observed import Observed
from toprung.live.aside import Aside
from toprung.live.hearing import Change, Ear
from toprung.live.packets import Settings, State
from toprung.live.reading import judged
from toprung.live.saving import Saver, taps_of
from toprung.live.sections import statistics
from toprung.model.changes import FlowChange, flow_changes
from toprung.model.picture import Picture
from toprung.model.probe import ProbeResults, Served
from toprung.model.site import Site
from toprung.observe.attendance import Attendance, Coming
from toprung.observe.watch import Watch


@dataclass(frozen=True, slots=True)
class Wish:
    """What to listen to, as whom, and where to keep it."""

    interfaces: tuple[str, ...]
    site: Site | None = None
    here: str | None = None  # the site's machine that we stand on
    save: Path | None = None
    probes: tuple[ProbeResults | Served, ...] = ()
    settings: Settings = field(default_factory=Settings)


@dataclass(frozen=True, slots=True)
class Look:
    """What is known at a moment.  `observed` is None as long as no RTPS was heard.

    Counts are of packets that passed the filter; `dropped` of them were lost for want of room.
    """

    time_ns: int
    seconds: float
    observed: Observed | None
    packets: int
    packets_per_s: float
    dropped: int
    interfaces: Mapping[str, State]
    retired: int  # participants that came, went, and are no longer kept apart
    flows: tuple[FlowChange, ...]  # since the last look, as the others below
    comings: tuple[Coming, ...]
    turns: tuple[Change, ...]  # of interfaces
    took_s: float  # to judge it

    @property
    def clock(self) -> str:
        """Its local time of day."""
        return datetime.fromtimestamp(self.time_ns / 1e9).astimezone().strftime("%H:%M:%S")

    @property
    def changed(self) -> bool:
        """Whether anything is otherwise than at the last look, rates excepted."""
        return bool(self.flows or self.comings or self.turns)


class Listening:
    """Raises, when made: UsageError (no such interface), LiveError (no privilege, no file)."""

    def __init__(self, wish: Wish) -> None:
        self.wish = wish
        self._saver = Saver(wish.save) if wish.save else None
        taps, head = taps_of(wish.interfaces, settings=wish.settings)
        self._turns: list[Change] = []
        self._ear = Ear(taps, self._turn)
        known = {} if wish.site is None else {m.name: m.hosts for m in wish.site.machines}
        self._watch = Watch([(wish.here, "+".join(wish.interfaces))], known=known)
        self._take(head)
        self.ours: set[bytes] = set()  # GUID prefixes of participants of our own, which are no strangers
        self._attendance = Attendance()
        self._before: Observed | None = None
        self._start_ns = self._hearing_since_ns = time.time_ns()
        self._last = (time.monotonic(), 0)

    def _take(self, chunk: bytes | memoryview) -> None:
        if self._saver is not None:
            self._saver.write(chunk)
        self._watch.feed(0, chunk)

    def _turn(self, change: Change) -> None:
        self._turns.append(change)
        self._hearing_since_ns = time.time_ns()

    def hear(self, wait_s: float) -> None:
        """Take what comes, waiting for it up to `wait_s`."""
        for _, chunk in self._ear.chunks(wait_s):
            self._take(chunk)

    def look(self) -> Look:
        """Judge what was heard so far; what comes meanwhile is taken aside and folded afterwards."""
        with Aside(self._ear) as aside:
            look = self._look(self._watch.picture)
        for chunk in aside.chunks:
            self._take(chunk)
        return look

    def end(self) -> Look:
        """Stop listening: take what is on its way, and judge all of it."""
        for _, chunk in self._ear.drain():
            self._take(chunk)
        for tap in self._ear.taps:
            counts = tap.counts()
            self._take(statistics(tap.number, tap.last_ns or time.time_ns(), counts.packets, counts.drops))
        return self._look(self._watch.end)

    def _look(self, see: Callable[[], Picture]) -> Look:
        begun, now_ns = time.monotonic(), time.time_ns()
        counts = [tap.counts() for tap in self._ear.taps]
        packets = sum(c.packets for c in counts)
        (then, before), now = self._last, time.monotonic()
        self._last = (now, packets)
        picture, observed = see(), None
        flows: tuple[FlowChange, ...] = ()
        if any(view.datagrams for view in picture.views):
            observed = self._judged(picture)
            if self._before is not None:
                flows = tuple(flow_changes(self._before.ladder, observed.ladder))
            self._before = observed
        turns = tuple(self._turns)
        del self._turns[: len(turns)]
        if any(state is not State.UP for state in self._ear.states.values()):
            self._hearing_since_ns = now_ns
        comings = self._comings(picture, now_ns) if observed else ()
        return Look(
            time_ns=now_ns,
            seconds=(now_ns - self._start_ns) / 1e9,
            observed=observed,
            packets=packets,
            packets_per_s=(packets - before) / max(now - then, 1e-9),
            dropped=sum(c.drops for c in counts),
            interfaces={tap.interface: state for tap, state in self._ear.states.items()},
            retired=sum(rest.participants for rest in self._watch.rests),
            flows=flows,
            comings=comings,
            turns=turns,
            took_s=time.monotonic() - begun,
        )

    def _comings(self, picture: Picture, now_ns: int) -> tuple[Coming, ...]:
        found = self._attendance.look(picture, now_ns, self._hearing_since_ns)
        return tuple(c for c in found if picture.participants[c.participant].prefix not in self.ours)

    def _judged(self, picture: Picture) -> Observed:
        observed = judged(self.wish.site, picture, self.wish.probes)
        ours = {i for i, p in enumerate(picture.participants) if p.prefix in self.ours}
        strangers = tuple(i for i in observed.cast.undeclared if i not in ours)
        return replace(observed, cast=replace(observed.cast, undeclared=strangers))

    def close(self) -> None:
        """Let go of interfaces and file."""
        self._ear.close()
        if self._saver is not None:
            self._saver.close()

    def __enter__(self) -> Listening:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
