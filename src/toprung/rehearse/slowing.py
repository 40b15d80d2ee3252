"""Machines that take only so many messages a second, and participants that lapse: processes are stopped
and continued in turn.

A machine works off one message in 1/rate seconds.  Each batch of discovery messages that it is handed stops
its processes for as long as the batch takes, behind what it still owes: a server with that service rate.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterable, Mapping

from toprung.rehearse.peers import Peer

Peers = Callable[[str], Iterable[Peer]]  # the running peers of a machine, or of a participant's name


class Slower:
    """Stops the processes of slowed machines.  rates: messages a second, by machine."""

    def __init__(self, rates: Mapping[str, float], peers_on: Peers) -> None:
        self.rates = dict(rates)
        self.peers_on = peers_on
        self._owed_until = dict.fromkeys(rates, 0.0)
        self._stopped: set[str] = set()
        self._changed = threading.Condition()
        self._over = False
        self._thread = threading.Thread(target=self._work, name="slower", daemon=True)
        if rates:
            self._thread.start()

    def heard(self, counts: Mapping[str, int]) -> None:
        """Machines were handed so many messages."""
        now = time.monotonic()
        with self._changed:
            for machine, count in counts.items():
                begin = max(now, self._owed_until[machine])
                self._owed_until[machine] = begin + count / self.rates[machine]
            self._changed.notify()

    def close(self) -> None:
        """Everybody goes on."""
        with self._changed:
            self._over = True
            self._changed.notify()
        if self.rates:
            self._thread.join()

    def _work(self) -> None:
        with self._changed:
            while not self._over:
                now = time.monotonic()
                busy = {m for m, until in self._owed_until.items() if until > now}
                for machine in busy:  # those that have just begun, too
                    self._signal(machine, signal.SIGSTOP)
                for machine in self._stopped - busy:
                    self._signal(machine, signal.SIGCONT)
                self._stopped = busy
                wait = min((self._owed_until[m] for m in busy), default=None)
                self._changed.wait(None if wait is None else max(0.0, wait - time.monotonic()))
            for machine in self._stopped:
                self._signal(machine, signal.SIGCONT)

    def _signal(self, machine: str, number: int) -> None:
        for peer in self.peers_on(machine):
            peer.signal(number)


def lapse(
    peers: Callable[[], Iterable[Peer]], stopped_s: float, running_s: float, over: threading.Event
) -> None:
    """Stop and continue a participant in turn until all is over."""
    while not over.is_set():
        for number, seconds in ((signal.SIGSTOP, stopped_s), (signal.SIGCONT, running_s)):
            for peer in peers():
                peer.signal(number)
            if over.wait(seconds):
                break
    for peer in peers():
        peer.signal(signal.SIGCONT)
