# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""Discrete events of the discovery exchange.

Compiled from this same file; its types stand in `_simulation.pxd`.  Uncompiled it is oracle and fallback.

A machine serves what it gets in the order in which it was sent, so a datagram's completion is known when it
is sent: every machine is a queue whose times only grow, and so is every kind of timer.  The heap holds the
queues, not the events.  Tie order: time, then queue (timers before machines, both in their order), then the
order of sending.  What changes nothing but load (an announcement to one who knows the sender) is charged to
the machine when it is sent and is no event.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

from toprung.forecast import simulating
from toprung.forecast.simulating import Bit, Kind, Rule, Status

if not cython.compiled:
    from toprung.forecast._events import Events
    from toprung.forecast._transit import Transit

CALL = cython.declare(cython.int, int(Kind.CALL))
REPLY = cython.declare(cython.int, int(Kind.REPLY))
EARLY = cython.declare(cython.int, int(Kind.EARLY))
HEARTBEAT = cython.declare(cython.int, int(Kind.HEARTBEAT))
ASK = cython.declare(cython.int, int(Kind.ASK))
NACK = cython.declare(cython.int, int(Kind.NACK))
LITTLE = cython.declare(cython.int, int(Kind.LITTLE))
DATA = cython.declare(cython.int, int(Kind.DATA))
ACK = cython.declare(cython.int, int(Kind.ACK))
FRESH = cython.declare(cython.int, int(Kind.FRESH))
CONFIRM = cython.declare(cython.int, int(Kind.CONFIRM))
START = cython.declare(cython.int, int(Kind.START))
MADE = cython.declare(cython.int, int(Kind.MADE))
SWEEP = cython.declare(cython.int, int(Kind.SWEEP))
BURST = cython.declare(cython.int, int(Kind.BURST))
PERIOD = cython.declare(cython.int, int(Kind.PERIOD))
AGAIN = cython.declare(cython.int, int(Kind.AGAIN))
WAIT = cython.declare(cython.int, int(Kind.WAIT))
UNSURE = cython.declare(cython.int, int(Kind.UNSURE))
LIVELY = cython.declare(cython.int, int(Kind.LIVELY))
GREET = cython.declare(cython.int, int(Kind.GREET))

KNOWN = cython.declare(cython.uchar, int(Bit.KNOWN))
GREETED = cython.declare(cython.uchar, int(Bit.GREETED))
HAS = cython.declare(cython.uchar, int(Bit.HAS))
SURE = cython.declare(cython.uchar, int(Bit.SURE))

R_FIRST = cython.declare(cython.Py_ssize_t, int(Rule.FIRST))
R_BURST_S = cython.declare(cython.Py_ssize_t, int(Rule.BURST_S))
R_PERIOD_S = cython.declare(cython.Py_ssize_t, int(Rule.PERIOD_S))
R_TO_KNOWN = cython.declare(cython.Py_ssize_t, int(Rule.TO_KNOWN))
R_ON_MEETING = cython.declare(cython.Py_ssize_t, int(Rule.ON_MEETING))
R_REPLIES = cython.declare(cython.Py_ssize_t, int(Rule.REPLIES))
R_REPLY_S = cython.declare(cython.Py_ssize_t, int(Rule.REPLY_S))
R_REST_S = cython.declare(cython.Py_ssize_t, int(Rule.REST_S))
R_GREET_S = cython.declare(cython.Py_ssize_t, int(Rule.GREET_S))
R_WAIT_S = cython.declare(cython.Py_ssize_t, int(Rule.WAIT_S))
R_CONFIRM_S = cython.declare(cython.Py_ssize_t, int(Rule.CONFIRM_S))
R_LIVELY_S = cython.declare(cython.Py_ssize_t, int(Rule.LIVELY_S))
R_LEASE_S = cython.declare(cython.Py_ssize_t, int(Rule.LEASE_S))
R_ACKNOWLEDGES = cython.declare(cython.Py_ssize_t, int(Rule.ACKNOWLEDGES))
R_CAST_FROM = cython.declare(cython.Py_ssize_t, int(Rule.CAST_FROM))
R_MISSED = cython.declare(cython.Py_ssize_t, int(Rule.MISSED))
R_PATIENCE = cython.declare(cython.Py_ssize_t, int(Rule.PATIENCE))
R_REMAINING = cython.declare(cython.Py_ssize_t, int(Rule.REMAINING))
R_ANSWERS = cython.declare(cython.Py_ssize_t, int(Rule.ANSWERS))
R_GREETING = cython.declare(cython.Py_ssize_t, int(Rule.GREETING))
R_ASKING = cython.declare(cython.Py_ssize_t, int(Rule.ASKING))
R_NACKING = cython.declare(cython.Py_ssize_t, int(Rule.NACKING))
R_LITTLE = cython.declare(cython.Py_ssize_t, int(Rule.LITTLE))
R_ACKING = cython.declare(cython.Py_ssize_t, int(Rule.ACKING))
R_CONFIRMING = cython.declare(cython.Py_ssize_t, int(Rule.CONFIRMING))
R_LIVING = cython.declare(cython.Py_ssize_t, int(Rule.LIVING))
R_LIVES = cython.declare(cython.Py_ssize_t, int(Rule.LIVES))

GLOBALS = cython.declare(cython.Py_ssize_t, len(simulating.GLOBAL))
OWNS = cython.declare(cython.Py_ssize_t, len(simulating.OWN))
QUEUES = cython.declare(cython.Py_ssize_t, simulating.QUEUES)
LEVELS = cython.declare(cython.longlong, simulating.LEVELS)
S_FULL = cython.declare(cython.int, int(Status.FULL))

MASK20 = cython.declare(cython.longlong, (1 << 20) - 1)
SWEEP_S = cython.declare(cython.double, simulating.SWEEP_S)


class Simulation:
    """One run.  All arrays are the caller's; `toprung.forecast.simulation` makes and reads them."""

    def __init__(self, events: Events, transit: Transit, arrays: dict[str, Any], missing: int) -> None:
        """`arrays`: by the names of the fields.  `missing`: ordered pairs that are yet to be introduced."""
        self.events = events
        self.transit = transit
        self.host = memoryview(arrays["host"])
        self.library = memoryview(arrays["library"])
        self.casts = memoryview(arrays["casts"])
        self.data = memoryview(arrays["data"])
        self.fresh = memoryview(arrays["fresh"])
        self.made = memoryview(arrays["made"])
        self.up = memoryview(arrays["up"])
        self.left = memoryview(arrays["left"])
        self.knows = memoryview(arrays["knows"])
        self.unsure = memoryview(arrays["unsure"])
        self.armed = memoryview(arrays["armed"])
        self.greeted = memoryview(arrays["greeted"])
        self.hears = memoryview(arrays["hears"])
        self.pair = memoryview(arrays["pair"])
        self.known_by = memoryview(arrays["known_by"])
        self.heard = memoryview(arrays["heard"])
        self.has_at = memoryview(arrays["has_at"])
        self.backlog = memoryview(arrays["backlog"])
        self.rules = memoryview(arrays["rules"])
        self.n = self.host.shape[0]
        self.machines = GLOBALS + self.rules.shape[0] * QUEUES
        self.steps = self.lapses = 0
        self.missing = missing

    def plan(self, kind: int, participants: Any, times: Any) -> None:
        """Starts, or endpoints that are made: sorted by time."""
        queue: cython.Py_ssize_t = kind - START
        i: cython.Py_ssize_t
        for i in range(len(participants)):
            self.events.push(queue, times[i], self._word(kind, participants[i], 0, 0))

    def run(self, until: float, introduced: bool) -> int:
        """Go on to a time, or until all is introduced; a Status.  FULL: more records, and again."""
        end: cython.double = until
        soon: cython.bint = introduced
        status: cython.int
        with cython.nogil:
            status = self._run(end, soon)
        return status

    def _run(self, end, soon):
        word: cython.longlong
        while not (soon and self.missing == 0):
            if self.events.room() < 4 * self.n + 64:
                return S_FULL
            word = self.events.pop(end)
            if word < 0:
                break
            self.steps += 1
            self._handle(word, self.events.now)
        return 0

    def _word(self, kind, a, b, weight):
        return (((weight << 20 | b) << 20 | a) << 5) | kind

    def _handle(self, word, t):
        kind: cython.int = word & 31
        a: cython.Py_ssize_t = (word >> 5) & MASK20
        b: cython.Py_ssize_t = (word >> 25) & MASK20
        return self._timer(kind, a, b, word >> 45, t) if kind >= START else self._message(kind, a, b, t)

    def _message(self, kind, a, b, t):
        """What b does with a message of a."""
        at: cython.Py_ssize_t = b * self.n + a
        r: cython.Py_ssize_t = self.library[b]
        if not self.up[b]:
            return 0
        if not self.pair[at] & KNOWN:
            if kind > REPLY:
                return 0
            self._meet(b, a, kind == CALL, t)
        self.heard[a * self.n + b] = t
        if kind == EARLY and self.transit.chance() < self.rules[r, R_MISSED]:
            return 0
        if kind in (EARLY, HEARTBEAT, CONFIRM):
            self.pair[at] |= GREETED
            if self.pair[at] & HAS:
                self._send(b, a, ACK, self.rules[r, R_ACKING], t)
            else:
                self._send(b, a, NACK, self.rules[r, R_NACKING], t)
        elif kind == ASK:
            self._send(b, a, HEARTBEAT, self.rules[r, R_GREETING], t)
        elif kind == NACK and self.made[b]:
            self._send(b, a, DATA, self.data[b], t)
        elif kind == NACK and self.rules[r, R_LITTLE] > 0:
            self._send(b, a, LITTLE, self.rules[r, R_LITTLE], t)
        elif kind == LITTLE:
            self._send(b, a, ACK, 1, t)
        elif kind in (DATA, FRESH):
            if not self.pair[at] & HAS:
                self.pair[at] |= HAS
                if self.has_at[at] < 0:
                    self.missing -= 1
                    self.has_at[at] = t
            if kind == DATA and self.rules[self.library[a], R_ACKNOWLEDGES] > 0:
                self._send(b, a, ACK, self.rules[r, R_ACKING], t)
        elif kind == ACK and self.made[b] and not self.pair[at] & SURE:
            self.pair[at] |= SURE
            self.unsure[b] -= 1
        return 0

    def _meet(self, a, b, call, t):
        """a hears of b for the first time."""
        r: cython.Py_ssize_t = self.library[a]
        replies: cython.longlong = cython.cast(cython.longlong, self.rules[r, R_REPLIES])
        self.pair[a * self.n + b] = KNOWN
        self.known_by[b * self.n + a] = 1
        self.knows[a] += 1
        if self.made[a]:
            self.unsure[a] += 1
            if not self.armed[a]:
                self.armed[a] = 1
                self._repeat(UNSURE, a, 0, 1, t)
        if self.rules[r, R_ON_MEETING] > 0:
            self._announce(a, t)
        if call and replies > 0:
            self._tell(a, b, REPLY, False, t)
            self._later(r, AGAIN, a, b, replies - 1, t + self.rules[r, R_REPLY_S])
        if t - self.greeted[a] >= self.rules[r, R_REST_S]:
            self.greeted[a] = t
            self._later(r, GREET, a, b, 0, t + self.rules[r, R_GREET_S])
        self._repeat(WAIT, a, b, 1, t)
        return 0

    def _later(self, r, kind, a, b, weight, t):
        return self.events.push(GLOBALS + r * QUEUES + (kind - BURST), t, self._word(kind, a, b, weight))

    def _repeat(self, kind, a, b, turn, t):
        """WAIT or UNSURE for the turn-th time; after some patience each wait is twice the one before."""
        r: cython.Py_ssize_t = self.library[a]
        wait: cython.double = self.rules[r, R_WAIT_S if kind == WAIT else R_CONFIRM_S]
        patience: cython.longlong = cython.cast(cython.longlong, self.rules[r, R_PATIENCE])
        level: cython.longlong = 0
        queue: cython.Py_ssize_t = GLOBALS + r * QUEUES + OWNS
        if patience > 0 and turn > patience:
            level = min(turn - patience, LEVELS - 1)
        if kind == UNSURE:
            queue += LEVELS
        return self.events.push(queue + level, t + wait * (1 << level), self._word(kind, a, b, turn))

    def _timer(self, kind, a, b, weight, t):
        r: cython.Py_ssize_t = self.library[a]
        known: cython.uchar = self.pair[a * self.n + b]
        if kind == SWEEP:
            self._sweep(t)
            self.events.push(SWEEP - START, t + SWEEP_S, self._word(SWEEP, 0, 0, 0))
        elif kind in (START, BURST, PERIOD):
            self._begin(kind, a, t)
        elif kind == MADE:
            self._make(a, t)
        elif kind == AGAIN and known & KNOWN:
            self._tell(a, b, REPLY, False, t)
            if weight > 1:
                self._later(r, AGAIN, a, b, weight - 1, t + self.rules[r, R_REPLY_S])
        elif kind == WAIT and known & KNOWN and not known & GREETED:
            self._send(a, b, ASK, self.rules[r, R_ASKING], t)
            self._repeat(WAIT, a, b, min(weight + 1, 1000), t)
        elif kind == UNSURE:
            self.armed[a] = self.unsure[a] > 0
            if self.armed[a]:
                self._spread(a, CONFIRM, self.rules[r, R_CONFIRMING], t)
                self._repeat(UNSURE, a, 0, min(weight + 1, 1000), t)
        elif kind == LIVELY:
            self._load(a, self.rules[r, R_LIVING], R_LIVES, t)
            self._later(r, LIVELY, a, 0, 0, t + self.rules[r, R_LIVELY_S])
        elif kind == GREET and known & KNOWN:
            self._send(a, b, EARLY, self.rules[r, R_GREETING], t)
            if self.rules[r, R_REMAINING] > 0 and self.knows[a] >= self.rules[r, R_CAST_FROM]:
                self._load(a, self.rules[r, R_REMAINING], R_ANSWERS, t)
        return 0

    def _begin(self, kind, a, t):
        """An announcement by the clock, the first one at the start."""
        r: cython.Py_ssize_t = self.library[a]
        if kind == START:
            self.up[a] = 1
            self.left[a] = cython.cast(cython.longlong, self.rules[r, R_FIRST])
            if self.rules[r, R_LIVELY_S] > 0:
                self._later(r, LIVELY, a, 0, 0, t + self.rules[r, R_LIVELY_S])
        self._announce(a, t)
        self.left[a] -= 1
        if self.left[a] > 0:
            return self._later(r, BURST, a, 0, 0, t + self.rules[r, R_BURST_S])
        return self._later(r, PERIOD, a, 0, 0, t + self.rules[r, R_PERIOD_S])

    def _make(self, a, t):
        self.made[a] = 1
        self.unsure[a] = self.knows[a]
        if self.knows[a] > 0:
            self._spread(a, FRESH, self.fresh[a], t)
            if not self.armed[a]:
                self.armed[a] = 1
                self._repeat(UNSURE, a, 0, 1, t)
        return 0

    def _announce(self, a, t):
        """By multicast, or to the peers; and by unicast to all known where the library does so."""
        r: cython.Py_ssize_t = self.library[a]
        told: cython.bint = self.rules[r, R_TO_KNOWN] > 0
        b: cython.Py_ssize_t
        at: cython.Py_ssize_t = a * self.n
        self.transit.cast += 1
        if self.casts[a]:
            self.transit.sent[self.host[a]] += 1
        for b in range(self.n):
            if self.hears[at + b]:
                self._tell(a, b, CALL, self.casts[a], t)
            if told and self.pair[at + b] & KNOWN:
                self._tell(a, b, REPLY, False, t)
        return 0

    def _tell(self, a, b, kind, cast, t):
        """One announcement's copy: an event for one who does not know a, for the others only load."""
        at: cython.Py_ssize_t = a * self.n + b
        done: cython.double
        if not self.up[b]:
            if not cast:
                self.transit.touch(self.host[a], self.host[b], t)
            return 0
        done = self._arrives(a, b, 1, cast, t)
        if done < 0:
            return 0
        if self.known_by[at]:
            self.heard[at] = done
            return 0
        return self.events.push(self.machines + self.host[b], done, self._word(kind, a, b, 1))

    def _send(self, a, b, kind, weight, t):
        done: cython.double = self._arrives(a, b, weight, False, t)
        if done < 0:
            return 0
        return self.events.push(self.machines + self.host[b], done, self._word(kind, a, b, 1))

    def _spread(self, a, kind, weight, t):
        """To everybody known, by multicast where the library does so."""
        b: cython.Py_ssize_t
        done: cython.double
        cast: cython.bint = self._casts(a)
        self.transit.cast += 1
        if cast:
            self.transit.sent[self.host[a]] += cython.cast(cython.longlong, weight)
        for b in range(self.n):
            if self.pair[a * self.n + b] & KNOWN:
                done = self._arrives(a, b, weight, cast, t)
                if done >= 0:
                    self.events.push(self.machines + self.host[b], done, self._word(kind, a, b, 1))
        return 0

    def _casts(self, a):
        least: cython.double = self.rules[self.library[a], R_CAST_FROM]
        return self.casts[a] and least > 0 and self.knows[a] >= least

    def _load(self, a, weight, answer, t):
        """What everybody known gets, answers, and learns nothing from but that a lives."""
        b: cython.Py_ssize_t
        done: cython.double
        cast: cython.bint = self._casts(a)
        self.transit.cast += 1
        if cast:
            self.transit.sent[self.host[a]] += cython.cast(cython.longlong, weight)
        for b in range(self.n):
            if self.pair[a * self.n + b] & KNOWN:
                done = self._arrives(a, b, weight, cast, t)
                if done >= 0 and self.known_by[a * self.n + b]:
                    self.heard[a * self.n + b] = done
                    self._arrives(
                        b, a, cython.cast(cython.longlong, self.rules[self.library[b], answer]), False, t
                    )
        return 0

    def _arrives(self, a, b, weight, cast, t):
        """When b's machine will be done with so many datagrams of a; -1: it never will."""
        return self.transit.arrives(self.host[a], self.host[b], cython.cast(cython.longlong, weight), cast, t)

    def _sweep(self, t):
        """Forget whom nothing was heard of for a lease; note how long each machine's queue is."""
        a: cython.Py_ssize_t
        b: cython.Py_ssize_t
        at: cython.Py_ssize_t
        second: cython.Py_ssize_t = cython.cast(cython.Py_ssize_t, t / SWEEP_S)
        for a in range(self.n):
            for b in range(self.n):
                at = a * self.n + b
                if (
                    self.pair[at] & KNOWN
                    and self.heard[b * self.n + a] < t - self.rules[self.library[b], R_LEASE_S]
                ):
                    if self.made[a] and not self.pair[at] & SURE:
                        self.unsure[a] -= 1
                    self.pair[at] = 0
                    self.known_by[b * self.n + a] = 0
                    self.knows[a] -= 1
                    self.lapses += 1
        if second < self.backlog.shape[1]:
            for a in range(self.backlog.shape[0]):
                self.backlog[a, second] = max(0.0, self.transit.free[a] - t)
        return 0
