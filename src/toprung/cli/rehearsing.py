"""What stderr shows while a rehearsal runs: on a terminal the ladder, redrawn in place; elsewhere a line
every ten seconds.
"""

from __future__ import annotations

import shutil
import sys
import time
from typing import TextIO

from toprung.cli.output import style_of
from toprung.cli.progress import ELSEWHERE_S
from toprung.cli.screen import cut
from toprung.diagnose.observed import Observed
from toprung.errors import CaptureError
from toprung.live.reading import observe
from toprung.model.site import Site
from toprung.pictures.rehearsal_text import running_text
from toprung.pictures.summary import verdict
from toprung.rehearse.machines import hurry
from toprung.rehearse.run import Rehearsal

EVERY_S = 2.0
READING = 15  # niceness: the participants come first
REST = 3.0  # reading may take a quarter of the time, so that the peers have the rest


class Screen:
    """Reads the captures again and again until the rehearsal is over."""

    def __init__(self, site: Site, rehearsal: Rehearsal, stream: TextIO | None = None) -> None:
        self.site = site
        self.rehearsal = rehearsal
        self.stream = sys.stderr if stream is None else stream
        self.terminal = self.stream.isatty()
        self._drawn = 0  # lines
        self._said_s = 0.0

    def watch(self) -> None:
        """Return when it is over; raises what went wrong in it."""
        pause_s = EVERY_S
        hurry(READING)
        try:
            while not self.rehearsal.wait(pause_s):
                begun = time.monotonic()
                self._show(self._observed())
                took_s = time.monotonic() - begun
                pause_s = max(EVERY_S, REST * took_s)
                if self.rehearsal.seconds - self.rehearsal.elapsed_s < pause_s + took_s:
                    pause_s = self.rehearsal.seconds  # one more reading would come too late
        finally:
            hurry(0)
            self._clear()

    def _observed(self) -> Observed | None:
        try:
            return observe(self.site, self.rehearsal.words())
        except CaptureError:  # nothing was captured yet
            return None

    def _show(self, observed: Observed | None) -> None:
        if self.terminal:
            columns_rows = shutil.get_terminal_size()
            text = (
                ""
                if observed is None
                else running_text(observed, style_of(self.stream), columns_rows.lines - 2)
            )
            lines = (text + self._progress()).split("\n")
            self._draw("".join(f"{cut(line, columns_rows.columns)}\n" for line in lines))
        elif self.rehearsal.elapsed_s - self._said_s >= ELSEWHERE_S:
            self._said_s = self.rehearsal.elapsed_s
            how = "" if observed is None else f": {verdict(observed)}"
            self.stream.write(self._progress() + how + "\n")
            self.stream.flush()

    def _progress(self) -> str:
        ran = self.rehearsal
        return f"rehearsing {self.site.name}: {min(ran.elapsed_s, ran.seconds):.0f} s of {ran.seconds:.0f} s"

    def _draw(self, text: str) -> None:
        self._clear()
        self.stream.write(text)
        self.stream.flush()
        self._drawn = text.count("\n")

    def _clear(self) -> None:
        if self._drawn:
            self.stream.write(f"\x1b[{self._drawn}F\x1b[J")
            self.stream.flush()
            self._drawn = 0
