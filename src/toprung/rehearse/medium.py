"""What every link does to frames: who gets them, rules, loss, delay.  How long the medium itself takes is
its kind's: `cable` for wires, `air` for Wi-Fi.  Pure: time is an argument and never runs backwards.

A medium is a small simulation of events.  Frames are offered; what has arrived by a time is taken.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from random import Random
from typing import Any

from toprung.rehearse.frames import HEADER, Facts, facts, matches
from toprung.rehearse.specs import LinkSpec, Rule

NEVER = float("inf")
Arrived = tuple[int, bytes]  # the port that gets it, the frame


@dataclass(frozen=True, slots=True)
class Station:
    """One end of a link."""

    machine: str
    interface: str
    hardware: bytes  # six octets
    mtu: int | None = None  # greater packets than it takes are thrown away, as network cards do


@dataclass(slots=True)
class Tally:
    """Frames so far.  `unknown`: to nobody here; `long`: above the MTU; `full`: the queue was; `ruled`:
    dropped by a rule; `lost`: by chance.  The last three and `arrived` count once for each receiver.
    """

    offered: int = 0
    unknown: int = 0
    long: int = 0
    full: int = 0
    ruled: int = 0
    lost: int = 0
    arrived: int = 0
    busy_s: float = 0.0  # the medium was taken, all directions together


class Medium:
    """A link without limits of its own.  Ports are the stations' places in `stations`."""

    def __init__(self, spec: LinkSpec, stations: Sequence[Station], seed: int = 0) -> None:
        self.spec = spec
        self.stations = tuple(stations)
        self.rules = tuple(spec.rules)
        self.tally = Tally()
        self.due = NEVER  # when something happens next
        self._port_of = {s.hardware: port for port, s in enumerate(self.stations)}
        ports = range(len(self.stations))
        self._others = [tuple(p for p in ports if p != port) for port in ports]
        self._longest = _frame(spec.mtu)
        self._accepted = [_frame(station.mtu) for station in self.stations]
        self._dice = Random(seed)
        self._events: list[tuple[float, int, Callable[..., None], tuple[Any, ...]]] = []
        self._count = 0
        self._arrived: list[Arrived] = []

    def offer(self, now: float, sender: int, frame: bytes) -> None:
        """A station sends a frame."""
        if self.due <= now:
            self._run(now)
        self.tally.offered += 1
        if len(frame) > self._longest:
            self.tally.long += 1
            return
        if frame[0] & 1:
            receivers = self._others[sender]
        else:
            port = self._port_of.get(frame[:6], sender)
            if port == sender:
                self.tally.unknown += 1
                return
            receivers = (port,)
        self._carry(now, sender, receivers, frame)

    def take(self, now: float) -> list[Arrived]:
        """What has arrived by now, in order."""
        if self.due <= now:
            self._run(now)
        arrived, self._arrived = self._arrived, []
        return arrived

    # -- for the kinds of media -----------------------------------------------------------------------

    def _carry(self, now: float, sender: int, receivers: tuple[int, ...], frame: bytes) -> None:
        """Let the frame pass; `_pass` when it is through."""
        self._pass(now, sender, receivers, frame)

    def _at(self, time: float, step: Callable[..., None], *words: Any) -> None:
        """Have `step(time, *words)` happen at a time."""
        self._count += 1
        heappush(self._events, (time, self._count, step, words))
        self.due = self._events[0][0]

    def _run(self, now: float) -> None:
        while self._events and self._events[0][0] <= now:
            time, _, step, words = heappop(self._events)
            step(time, *words)
        self.due = self._events[0][0] if self._events else NEVER

    def _pass(self, now: float, sender: int, receivers: tuple[int, ...], frame: bytes) -> None:
        """The medium is through with a frame: rules, chance and delay decide for each receiver."""
        seen = facts(frame) if self.rules else None
        loss, delay_s = self.spec.loss, self.spec.delay_s
        for receiver in receivers:
            due = now if seen is None else self._ruled(now, sender, receiver, seen)
            if len(frame) > self._accepted[receiver]:
                self.tally.long += 1
            elif due == NEVER:
                self.tally.ruled += 1
            elif loss and self._dice.random() < loss:
                self.tally.lost += 1
            elif due + delay_s > now:
                self._at(due + delay_s, self._arrive, receiver, frame)
            else:
                self._arrive(now, receiver, frame)

    def _arrive(self, _: float, receiver: int, frame: bytes) -> None:
        self.tally.arrived += 1
        self._arrived.append((receiver, frame))

    def _ruled(self, now: float, sender: int, receiver: int, seen: Facts) -> float:
        """When the rules let a frame go."""
        due = now
        for rule in self.rules:
            if not self._concerns(rule, sender, receiver, seen):
                continue
            if rule.does == "drop":
                return NEVER
            due += rule.delay_s
            if rule.does == "burst":
                due = (due // rule.burst_s + 1) * rule.burst_s
        return due

    def _concerns(self, rule: Rule, sender: int, receiver: int, seen: Facts) -> bool:
        if rule.sender and rule.sender != self.stations[sender].machine:
            return False
        if rule.receiver and rule.receiver != self.stations[receiver].machine:
            return False
        if not matches(rule, seen):
            return False
        return rule.share >= 1 or self._dice.random() < rule.share


def _frame(mtu: int | None) -> int:
    """The longest frame that a packet of this size makes."""
    return 1 << 30 if mtu is None else mtu + HEADER
