"""How far long work has come, on stderr: nothing in the first second, then a line that is written over.

Where stderr is no terminal, a line every ten seconds.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from typing import TextIO

FIRST_S = 1.0
ON_TERMINAL_S = 0.2
ELSEWHERE_S = 10.0


class Line:
    """A line that is shown now and then, and taken away at the end."""

    def __init__(self, stream: TextIO | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        self.stream = sys.stderr if stream is None else stream
        self.clock = clock
        self.terminal = self.stream.isatty()
        self.start = clock()
        self.next = self.start + (FIRST_S if self.terminal else ELSEWHERE_S)
        self.shown = False

    def show(self, line: str) -> None:
        """Show the line, if it is time for it."""
        now = self.clock()
        if now < self.next:
            return
        self.next = now + (ON_TERMINAL_S if self.terminal else ELSEWHERE_S)
        self.stream.write(f"\r{line}\x1b[K" if self.terminal else f"{line}\n")
        self.stream.flush()
        self.shown = True

    def clear(self) -> None:
        """Take the line away."""
        if self.shown and self.terminal:
            self.stream.write("\r\x1b[K")
            self.stream.flush()


class Progress(Line):
    """Call it with the number of bytes read so far."""

    def __init__(
        self,
        label: str,
        total_bytes: int | None,
        stream: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(stream, clock)
        self.label = label
        self.total_bytes = total_bytes

    def __call__(self, done_bytes: int) -> None:
        line = f"reading {self.label}: {done_bytes / 1e6:,.0f} MB"
        if self.total_bytes:
            line += f" of {self.total_bytes / 1e6:,.0f} MB ({min(done_bytes / self.total_bytes, 1):.0%})"
        self.show(line)


class Waiting(Line):
    """For work that does not tell how far it is: `with Waiting("forecasting site.yaml"):` shows the time."""

    def __init__(
        self, label: str, stream: TextIO | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        super().__init__(stream, clock)
        self.label = label
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Waiting:
        self._thread.start()
        return self

    def __exit__(self, *failure: object) -> None:
        self._over.set()
        self._thread.join()
        self.clear()

    def _watch(self) -> None:
        while not self._over.wait(ON_TERMINAL_S):
            self.show(f"{self.label}: {self.clock() - self.start:.0f} s")
