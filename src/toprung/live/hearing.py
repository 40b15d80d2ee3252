"""Several taps heard together, while their interfaces go down, come back, vanish and appear again."""

from __future__ import annotations

import select
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from toprung.live.packets import State, Tap

LOOK_S = 0.5  # between two looks at how the interfaces are
BURST = 8  # blocks of one tap, before the next one has its turn


@dataclass(frozen=True, slots=True)
class Change:
    """An interface became what it was not."""

    tap: Tap
    state: State


class Ear:
    """Takes what any of the taps has.  `on_change` is called for every interface that changes."""

    def __init__(
        self,
        taps: Sequence[Tap],
        on_change: Callable[[Change], None] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.taps = tuple(taps)
        self.states = dict.fromkeys(self.taps, State.UP)
        self._on_change = on_change
        self._clock = clock
        self._poll = select.poll()
        self._by_number: dict[int, Tap] = {}
        for tap in self.taps:
            self._register(tap)
        self._look_at = clock()

    def _register(self, tap: Tap) -> None:
        self._poll.register(tap, select.POLLIN)
        self._by_number[tap.fileno()] = tap

    def _unregister(self, tap: Tap) -> None:
        self._poll.unregister(tap)
        del self._by_number[tap.fileno()]

    def chunks(self, wait_s: float) -> Iterator[tuple[Tap, memoryview]]:
        """What the taps have, waiting up to `wait_s` for the first; each chunk is valid until the next."""
        if self._clock() >= self._look_at:
            self._look()
        if not self._by_number:
            time.sleep(min(wait_s, LOOK_S))
        for number, event in self._poll.poll(max(0.0, wait_s) * 1000) if self._by_number else ():
            tap = self._by_number[number]
            if event & ~select.POLLIN:
                self._look_at = 0.0
                tap.state()  # takes the error away
            yield from self._burst(tap)

    def drain(self) -> Iterator[tuple[Tap, memoryview]]:
        """All that passed before the call, as soon as the kernel hands it over."""
        end = self._clock() + max((2.5e-3 * tap.settings.hold_ms for tap in self.taps), default=0.0)
        while self._clock() < end:
            for tap in self.taps:
                yield from self._burst(tap)
            time.sleep(2e-3)

    def _burst(self, tap: Tap) -> Iterator[tuple[Tap, memoryview]]:
        for _ in range(BURST):
            chunk = tap.take()
            if chunk is None:
                return
            yield tap, chunk

    def _look(self) -> None:
        """How every interface is; what vanished is listened to again as soon as there is one of its name."""
        self._look_at = self._clock() + LOOK_S
        for tap in self.taps:
            before = self.states[tap]
            state = tap.state()
            if state is State.GONE:
                if before is not State.GONE:
                    self._unregister(tap)
                if tap.reopen():
                    state = tap.state()
                    self._register(tap)
                elif before is State.GONE:
                    continue
            self.states[tap] = state
            if state is not before and self._on_change is not None:
                self._on_change(Change(tap, state))

    def close(self) -> None:
        """Stop listening."""
        for tap in self.taps:
            tap.close()
