"""The discovery simulation once more, in SimPy: an oracle written from the model's words.

A participant is an object, a datagram is a SimPy event.  Only the layout of the tables is shared.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from heapq import heappush
from typing import Any

import simpy

from toprung.forecast.simulating import GLOBAL, LEVELS, OWN, QUEUES, SWEEP_S, Kind, Rule

MASK = (1 << 64) - 1


class Dice:
    """SplitMix64."""

    def __init__(self, seed: int) -> None:
        self.state = seed

    def roll(self) -> float:
        self.state = (self.state + 0x9E3779B97F4A7C15) & MASK
        z = self.state
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & MASK
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & MASK
        return ((z ^ (z >> 31)) >> 11) * 2.0**-53


@dataclass
class Other:
    """What a participant knows of another one."""

    heard: float
    greeted: bool = False
    has: bool = False
    sure: bool = False


@dataclass
class Participant:
    number: int
    host: int
    library: int
    rules: dict[Rule, float]
    casts: bool
    data: int
    fresh: int
    up: bool = False
    made: bool = False
    armed: bool = False
    greeted: float = -1e9
    left: int = 0
    others: dict[int, Other] = field(default_factory=dict)
    has_at: dict[int, float] = field(default_factory=dict)

    @property
    def multicasts(self) -> bool:
        least = self.rules[Rule.CAST_FROM]
        return self.casts and least > 0 and len(self.others) >= least

    def unsure(self) -> bool:
        return any(not other.sure for other in self.others.values())


class Twin:
    """One run of the model; `events` counts handled messages and timers."""

    def __init__(self, tables: dict[str, Any], starts: list[float], made: list[float], seed: int) -> None:
        self.env = simpy.Environment()
        self.tables, self.dice, self.events, self.lapses = tables, Dice(seed), 0, 0
        self.people = [
            Participant(
                number,
                int(tables["host"][number]),
                int(tables["library"][number]),
                {rule: float(tables["rules"][tables["library"][number], rule]) for rule in Rule},
                bool(tables["casts"][number]),
                int(tables["data"][number]),
                int(tables["fresh"][number]),
            )
            for number in range(len(starts))
        ]
        self.free = [0.0] * len(tables["service"])
        self.sent, self.received, self.dropped = ([0] * len(self.free) for _ in range(3))
        self.resolved: dict[tuple[int, int], float] = {}
        for person, start, at in zip(self.people, starts, made, strict=True):
            self.at(start, GLOBAL.index(Kind.START), self.start, person)
            self.at(at, GLOBAL.index(Kind.MADE), self.make, person)
        self.at(SWEEP_S, GLOBAL.index(Kind.SWEEP), self.sweep)

    def run(self, until: float) -> None:
        self.env.run(until=until)

    def at(self, when: float, queue: int, what: Any, *about: Any) -> None:
        """The model's tie order: time, then the queue, then the order of asking."""

        def happen(_: object) -> None:
            self.events += 1
            what(when, *about)

        event = simpy.Event(self.env)
        event._ok, event._value = True, None
        event.callbacks.append(happen)
        # not timeout(when - now): what that rounds would let two events at one time change places
        heappush(self.env._queue, (when, queue, next(self.env._eid), event))

    def timer(self, t: float, kind: Kind, what: Any, a: Participant, *about: Any) -> None:
        self.at(t, len(GLOBAL) + a.library * QUEUES + OWN.index(kind), what, a, *about)

    def deliver(self, done: float | None, kind: Kind, a: Participant, b: Participant) -> None:
        if done is not None:
            machines = len(GLOBAL) + len(self.tables["rules"]) * QUEUES
            self.at(done, machines + b.host, self.message, kind, a, b)

    # -- the way ---------------------------------------------------------------------------------------

    def arrival(
        self, t: float, a: Participant, b: Participant, weight: int, told: set[int] | None
    ) -> float | None:
        """When b's machine is done; `told`: machines that a multicast was counted at, None: unicast."""
        here, there = a.host, b.host
        if here == there:
            return max(self.free[there], t)
        if told is None:
            self.sent[here] += weight
        share = self.tables["passes"][here, there]
        if share < 1.0 and self.dice.roll() >= share**weight:
            return None
        if told is None or there not in told:
            self.received[there] += weight
        if told is None:
            self.resolve(t, here, there)
            t = max(t, self.resolved[here, there])
        else:
            told.add(there)
        t += self.tables["latency"][here, there]
        work = weight * self.tables["service"][there]
        begin = max(self.free[there], t)
        if begin - t + work > self.tables["room"][there]:
            self.dropped[there] += weight
            return None
        self.free[there] = begin + work
        return self.free[there]

    def resolve(self, t: float, here: int, there: int) -> None:
        if (here, there) not in self.resolved:
            latency = self.tables["latency"]
            self.resolved[here, there] = t + latency[here, there] + latency[there, here]
            self.resolved.setdefault((there, here), t + latency[here, there])

    def send(self, t: float, a: Participant, b: Participant, kind: Kind, weight: float) -> None:
        self.deliver(self.arrival(t, a, b, int(weight), None), kind, a, b)

    def spread(self, t: float, a: Participant, kind: Kind, weight: float) -> None:
        told: set[int] | None = set() if a.multicasts else None
        if told is not None:
            self.sent[a.host] += int(weight)
        for b in self.people:
            if b.number in a.others:
                self.deliver(self.arrival(t, a, b, int(weight), told), kind, a, b)

    def load(self, t: float, a: Participant, weight: float, answer: Rule) -> None:
        told: set[int] | None = set() if a.multicasts else None
        if told is not None:
            self.sent[a.host] += int(weight)
        for b in self.people:
            if b.number in a.others:
                done = self.arrival(t, a, b, int(weight), told)
                if done is not None and a.number in b.others:
                    b.others[a.number].heard = done
                    self.arrival(t, b, a, int(b.rules[answer]), None)

    def tell(self, t: float, a: Participant, b: Participant, kind: Kind, told: set[int] | None) -> None:
        if not b.up:
            if told is None and a.host != b.host:
                self.sent[a.host] += 1
                self.received[b.host] += 1
                self.resolve(t, a.host, b.host)
            return
        done = self.arrival(t, a, b, 1, told)
        if done is None:
            return
        if a.number in b.others:
            b.others[a.number].heard = done
        else:
            self.deliver(done, kind, a, b)

    # -- what participants do --------------------------------------------------------------------------

    def announce(self, t: float, a: Participant) -> None:
        told: set[int] | None = set() if a.casts else None
        self.sent[a.host] += a.casts
        count = len(self.people)
        for b in self.people:
            if self.tables["hears"][a.number * count + b.number]:
                self.tell(t, a, b, Kind.CALL, told)
            if a.rules[Rule.TO_KNOWN] and b.number in a.others:
                self.tell(t, a, b, Kind.REPLY, None)

    def message(self, t: float, kind: Kind, a: Participant, b: Participant) -> None:
        if not b.up:
            return
        if a.number not in b.others:
            if kind > Kind.REPLY:
                return
            self.meet(t, b, a, kind is Kind.CALL)
        known = b.others[a.number]
        known.heard = t
        if kind is Kind.EARLY and self.dice.roll() < b.rules[Rule.MISSED]:
            return
        if kind in (Kind.EARLY, Kind.HEARTBEAT, Kind.CONFIRM):
            known.greeted = True
            answer = (Kind.ACK, Rule.ACKING) if known.has else (Kind.NACK, Rule.NACKING)
            self.send(t, b, a, answer[0], b.rules[answer[1]])
        elif kind is Kind.ASK:
            self.send(t, b, a, Kind.HEARTBEAT, b.rules[Rule.GREETING])
        elif kind is Kind.NACK and b.made:
            self.send(t, b, a, Kind.DATA, b.data)
        elif kind is Kind.NACK and b.rules[Rule.LITTLE]:
            self.send(t, b, a, Kind.LITTLE, b.rules[Rule.LITTLE])
        elif kind is Kind.LITTLE:
            self.send(t, b, a, Kind.ACK, 1)
        elif kind in (Kind.DATA, Kind.FRESH):
            known.has = True
            b.has_at.setdefault(a.number, t)
            if kind is Kind.DATA and a.rules[Rule.ACKNOWLEDGES]:
                self.send(t, b, a, Kind.ACK, b.rules[Rule.ACKING])
        elif kind is Kind.ACK and b.made:
            known.sure = True

    def meet(self, t: float, a: Participant, b: Participant, call: bool) -> None:
        a.others[b.number] = Other(t)
        if a.made:
            self.arm(t, a)
        if a.rules[Rule.ON_MEETING]:
            self.announce(t, a)
        if call and a.rules[Rule.REPLIES]:
            self.again(t, a, b, int(a.rules[Rule.REPLIES]))
        if t - a.greeted >= a.rules[Rule.REST_S]:
            a.greeted = t
            self.timer(t + a.rules[Rule.GREET_S], Kind.GREET, self.greet, a, b)
        self.repeat(t, Rule.WAIT_S, self.wait, 1, a, b)

    def again(self, t: float, a: Participant, b: Participant, left: int) -> None:
        if b.number not in a.others:
            return
        self.tell(t, a, b, Kind.REPLY, None)
        if left > 1:
            self.timer(t + a.rules[Rule.REPLY_S], Kind.AGAIN, self.again, a, b, left - 1)

    def greet(self, t: float, a: Participant, b: Participant) -> None:
        if b.number not in a.others:
            return
        self.send(t, a, b, Kind.EARLY, a.rules[Rule.GREETING])
        if a.rules[Rule.REMAINING] and len(a.others) >= a.rules[Rule.CAST_FROM]:
            self.load(t, a, a.rules[Rule.REMAINING], Rule.ANSWERS)

    def repeat(self, t: float, wait: Rule, what: Any, turn: int, a: Participant, *about: Any) -> None:
        patience = int(a.rules[Rule.PATIENCE])
        level = min(max(0, turn - patience), LEVELS - 1) if patience else 0
        row = level + LEVELS * (wait is Rule.CONFIRM_S)
        queue = len(GLOBAL) + a.library * QUEUES + len(OWN) + row
        self.at(t + a.rules[wait] * 2**level, queue, what, turn, a, *about)

    def wait(self, t: float, turn: int, a: Participant, b: Participant) -> None:
        if b.number in a.others and not a.others[b.number].greeted:
            self.send(t, a, b, Kind.ASK, a.rules[Rule.ASKING])
            self.repeat(t, Rule.WAIT_S, self.wait, turn + 1, a, b)

    def arm(self, t: float, a: Participant) -> None:
        if not a.armed:
            a.armed = True
            self.repeat(t, Rule.CONFIRM_S, self.look, 1, a)

    def look(self, t: float, turn: int, a: Participant) -> None:
        a.armed = a.unsure()
        if a.armed:
            self.spread(t, a, Kind.CONFIRM, a.rules[Rule.CONFIRMING])
            self.repeat(t, Rule.CONFIRM_S, self.look, turn + 1, a)

    # -- the clock -------------------------------------------------------------------------------------

    def start(self, t: float, a: Participant) -> None:
        a.up, a.left = True, int(a.rules[Rule.FIRST])
        if a.rules[Rule.LIVELY_S]:
            self.timer(t + a.rules[Rule.LIVELY_S], Kind.LIVELY, self.lively, a)
        self.period(t, a)

    def period(self, t: float, a: Participant) -> None:
        self.announce(t, a)
        a.left -= 1
        kind, wait = (Kind.BURST, Rule.BURST_S) if a.left > 0 else (Kind.PERIOD, Rule.PERIOD_S)
        self.timer(t + a.rules[wait], kind, self.period, a)

    def lively(self, t: float, a: Participant) -> None:
        self.load(t, a, a.rules[Rule.LIVING], Rule.LIVES)
        self.timer(t + a.rules[Rule.LIVELY_S], Kind.LIVELY, self.lively, a)

    def make(self, t: float, a: Participant) -> None:
        a.made = True
        if a.others:
            self.spread(t, a, Kind.FRESH, a.fresh)
            self.arm(t, a)

    def sweep(self, t: float) -> None:
        for a in self.people:
            for number, other in list(a.others.items()):
                if other.heard < t - self.people[number].rules[Rule.LEASE_S]:
                    del a.others[number]
                    self.lapses += 1
        self.at(t + SWEEP_S, GLOBAL.index(Kind.SWEEP), self.sweep)
