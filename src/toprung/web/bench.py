"""What lies on the bench: the site being worked on, the captures beside it, and what both came to.

One bench serves one page.  A reading runs in a thread of its own; whoever wants to know of changes waits for
the next revision.
"""

from __future__ import annotations

import asyncio
import json
import shutil
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from hashlib import sha256
from pathlib import Path

from toprung.diagnose.observed import Observed
from toprung.errors import ToolError
from toprung.forecast.forecast import forecast
from toprung.forecast.result import Forecast
from toprung.live.files import file_digest
from toprung.live.reading import CaptureWord, observe
from toprung.model.figures import Figures
from toprung.model.site import Site
from toprung.model.site_changes import Change
from toprung.model.site_file import load_site
from toprung.pictures.sets import sources_of
from toprung.web.hearing import Hearing

KEPT_FORECASTS = 32


@dataclass(frozen=True, slots=True)
class Held:
    """A capture on the bench.  `ours`: an uploaded copy, which is deleted with it."""

    key: int
    name: str
    path: Path
    size: int
    machine: str | None
    ours: bool


@dataclass(slots=True)
class Reading:
    """A reading as it goes: bytes so far by capture, and how it ended."""

    total: int
    done: dict[str, int] = field(default_factory=dict)
    running: bool = True
    stopped: bool = False
    fault: str = ""

    @property
    def share(self) -> float:
        return min(1.0, sum(self.done.values()) / self.total) if self.total else 0.0


class Stopped(Exception):
    """Somebody did not want to wait for the reading's end."""


class Bench:
    """The state behind one page.  Safe to use from several threads."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.text = ""
        self.file_name = "site.yaml"
        self.site: Site | None = None
        self.captures: tuple[Held, ...] = ()
        self.observed: Observed | None = None
        self.reading: Reading | None = None
        self.hearing: Hearing | None = None
        self.revision = 0  # of everything, progress too
        self.settled = 0  # of what the views show
        self.over = False  # the server is going
        self._keys = 0
        self._lock = threading.RLock()
        self._waiting: set[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = set()
        self._forecast = lru_cache(KEPT_FORECASTS)(_forecast_of)

    # -- the site ------------------------------------------------------------------------------------

    def put_site(self, text: str, file_name: str | None = None) -> Site:
        """Take this text as the site.  Raises SiteError, and then nothing has changed."""
        name = file_name or self.file_name
        site = load_site(text, name)
        with self._lock:
            self.text, self.file_name, self.site = text, name, site
        self.read_again()
        return site

    def forecast(self, changes: tuple[Change, ...] = (), simulate: bool = False) -> Forecast | None:
        """The forecast of the site as it is, or as these changes would make it; None without a site."""
        if not self.text:
            return None
        key = json.dumps([(change.path, change.value) for change in changes])
        return self._forecast(self.text, self.file_name, key, simulate)

    @property
    def shown_site(self) -> Site | None:
        """The site that was given, or else the one that the captures suggest."""
        if self.site is not None:
            return self.site
        return None if self.observed is None else self.observed.site

    def figures(self) -> dict[str, Figures]:
        """The figures of the forecast and of what was captured, as far as there are such."""
        return sources_of(self.forecast(), self.observed)

    def digests(self) -> tuple[tuple[str, str], ...]:
        """Every input by name, with its SHA-256."""
        site = [(self.file_name, sha256(self.text.encode()).hexdigest())] if self.text else []
        return (*site, *((c.name, file_digest(c.path)) for c in self.captures))

    # -- captures ------------------------------------------------------------------------------------

    def put_capture(self, name: str, path: Path, machine: str | None, ours: bool) -> Held:
        with self._lock:
            self._keys += 1
            held = Held(self._keys, name, path, path.stat().st_size, machine, ours)
            self.captures = (*self.captures, held)
        return held

    def label(self, key: int, machine: str | None) -> None:
        """Say which machine a capture was taken on."""
        with self._lock:
            self.captures = tuple(replace(c, machine=machine) if c.key == key else c for c in self.captures)
        self.read_again()

    def drop_capture(self, key: int) -> None:
        with self._lock:
            gone = [c for c in self.captures if c.key == key]
            self.captures = tuple(c for c in self.captures if c.key != key)
        for held in gone:
            if held.ours:
                held.path.unlink(missing_ok=True)
        self.read_again()

    # -- reading -------------------------------------------------------------------------------------

    def read_again(self) -> None:
        """Read all captures against the site, from the start, in a thread; a reading under way is stopped."""
        with self._lock:
            if self.reading is not None:
                self.reading.stopped = True
            self.observed = None
            self.reading = Reading(sum(c.size for c in self.captures)) if self.captures else None
            started, site, captures = self.reading, self.site, self.captures
        self.tell(settled=True)
        if started is not None:
            threading.Thread(target=self._read, args=(started, site, captures), daemon=True).start()

    def stop_reading(self) -> None:
        """Leave off; what was on the bench stays there, unread."""
        with self._lock:
            if self.reading is not None:
                self.reading.stopped = True

    def _read(self, reading: Reading, site: Site | None, captures: tuple[Held, ...]) -> None:
        words = [CaptureWord(c.machine, str(c.path)) for c in captures]
        try:
            observed = observe(site, words, lambda label, size: _Steps(reading, label, self.tell))
        except Stopped:
            reading.fault = "stopped before its end"
        except ToolError as error:
            reading.fault = f"{error.what}; {error.right}"
        else:
            with self._lock:
                if self.reading is reading:
                    self.observed = observed
        reading.running = False
        self.tell(settled=True)

    # -- telling the page ----------------------------------------------------------------------------

    def tell(self, settled: bool = False) -> None:
        """Something has changed: wake whoever waits for the next revision."""
        with self._lock:
            self.revision += 1
            self.settled += settled
            waiting = list(self._waiting)
        for loop, event in waiting:
            loop.call_soon_threadsafe(event.set)

    async def next_revision(self, seen: int, patience_s: float) -> int:
        """The revision, once it is another than `seen`, or as it is when the patience ends."""
        event = asyncio.Event()
        entry = (asyncio.get_running_loop(), event)
        with self._lock:
            self._waiting.add(entry)
            if self.revision != seen:
                event.set()
        try:
            await asyncio.wait_for(event.wait(), patience_s)
        except TimeoutError:
            pass
        finally:
            with self._lock:
                self._waiting.discard(entry)
        return self.revision

    def leave(self) -> None:
        """Let everybody go who waits."""
        self.over = True
        self.tell()

    def close(self) -> None:
        self.leave()
        self.stop_reading()
        if self.hearing is not None and self.hearing.running:
            self.hearing.stop()
        shutil.rmtree(self.folder, ignore_errors=True)


class _Steps:
    """Tells the bench how far a capture was read, a hundred times at most."""

    def __init__(self, reading: Reading, label: str, tell: Callable[[], None]) -> None:
        self.reading = reading
        self.label = label
        self.tell = tell
        self.next = 0

    def __call__(self, done_bytes: int) -> None:
        if self.reading.stopped:
            raise Stopped
        self.reading.done[self.label] = done_bytes
        if done_bytes >= self.next:
            self.next = done_bytes + self.reading.total // 100
            self.tell()

    def clear(self) -> None:
        self.tell()


def _forecast_of(text: str, name: str, changes: str, simulate: bool) -> Forecast:
    made = [Change(tuple(path), value) for path, value in json.loads(changes)]
    return forecast(load_site(text, name, made), simulate=simulate)
