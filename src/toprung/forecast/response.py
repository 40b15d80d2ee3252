"""Response times of tasks that share one server by fixed priority, arrivals periodic with jitter.

Preemptive: Lehoczky (1990) and Tindell, Burns, Wellings (1994): busy windows.  Non-preemptive: Davis,
Burns, Bril, Lukkien, Real-Time Systems 35 (2007), with every instance of the busy period looked at: the
1994 analysis looked at the first alone and was too hopeful.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, floor, inf

_ALMOST = 1e-9  # a multiple of the period, but for rounding


@dataclass(frozen=True, slots=True)
class Task:
    """Work that comes up every `period`, at most `jitter` late but never closer than `apart`, and takes at
    most `work`: any one unit.
    """

    work: float
    period: float
    jitter: float = 0.0
    apart: float = 0.0

    @property
    def share(self) -> float:
        """Of the server."""
        return self.work / self.period

    def arrivals(self, window: float) -> int:
        """Most arrivals in a window open to the right."""
        return self._fewer(ceil((window + self.jitter) / self.period - _ALMOST), window, ceil, -_ALMOST)

    def arrivals_until(self, window: float) -> int:
        """Most arrivals in a window, its end included."""
        most = floor((window + self.jitter) / self.period + _ALMOST) + 1
        return self._fewer(most, window + self.apart, floor, _ALMOST)

    def _fewer(self, most: int, window: float, rounded: Callable[[float], int], almost: float) -> int:
        """No more than fit in so far apart."""
        return max(0, min(most, rounded(window / self.apart + almost)) if self.apart else most)

    def least_span(self, events: int) -> float:
        """The least time from the first to the last of some events in a row."""
        return max((events - 1) * self.apart, (events - 1) * self.period - self.jitter, 0.0)


def preemptive(task: Task, higher: Sequence[Task]) -> float:
    """The worst response of a task among those of higher priority; infinite where they leave no room."""
    if task.share + sum(t.share for t in higher) > 1 + _ALMOST:
        return inf
    worst, instance = 0.0, 1
    while True:
        busy = busy_window(task, higher, instance)
        worst = max(worst, busy - task.least_span(instance))
        if busy <= task.least_span(instance + 1) + _ALMOST:
            return worst
        instance += 1


def busy_window(task: Task, higher: Sequence[Task], instances: int) -> float:
    """The longest time from the start of a busy window to the end of its n-th instance of the task."""
    window = own = instances * task.work
    while True:
        longer = own + sum(t.work * t.arrivals(window) for t in higher)
        if longer <= window + _ALMOST:
            return window
        window = longer


def non_preemptive(task: Task, higher: Sequence[Task], lower: Sequence[Task] = ()) -> float:
    """The worst response of a task that cannot be interrupted, nor can the others.

    It waits for one instance of a lower priority that has just begun, and for all of higher priority
    that arrive until it begins itself.
    """
    if task.share + sum(t.share for t in higher) > 1 + _ALMOST:
        return inf
    blocked = max((t.work for t in lower), default=0.0)
    instances = max(1, task.arrivals(_busy_period(task, higher, blocked)))  # one even if it never comes
    begun = ((n, _begins(task, higher, blocked, n)) for n in range(1, instances + 1))
    return max(begins + task.work - task.least_span(n) for n, begins in begun)


def _busy_period(task: Task, higher: Sequence[Task], blocked: float) -> float:
    """The longest time for which the server is busy with this and higher priorities."""
    together = (task, *higher)
    period = blocked + sum(t.work for t in together)
    while True:
        longer = blocked + sum(t.work * t.arrivals(period) for t in together)
        if longer <= period + _ALMOST:
            return period
        period = longer


def _begins(task: Task, higher: Sequence[Task], blocked: float, instance: int) -> float:
    """When, at the latest, the n-th instance of the busy period begins."""
    begins = own = blocked + (instance - 1) * task.work
    while True:
        later = own + sum(t.work * t.arrivals_until(begins) for t in higher)
        if later <= begins + _ALMOST:
            return begins
        begins = later


def any_order(task: Task, others: Sequence[Task]) -> float:
    """The worst response where nobody knows the order, without interruption: everybody else goes first."""
    return non_preemptive(task, others)
