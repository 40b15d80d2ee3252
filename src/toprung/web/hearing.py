"""Listening for the page: in a thread of its own, with the last look at hand."""

from __future__ import annotations

import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

from toprung.errors import ToolError
from toprung.live.here import machine_here
from toprung.live.listening import Listening, Look, Wish
from toprung.model.site import Site
from toprung.pictures.live_text import news

LOOK_S = 1.0
TURN_S = 0.2
KEPT_NEWS = 200


class Hearing:
    """One listening from its start to its end.  Raises ToolError, when made, where it may not be."""

    def __init__(
        self, interfaces: tuple[str, ...], site: Site | None, save: Path, tell: Callable[[], None]
    ) -> None:
        self.interfaces = interfaces
        self.save = save
        self.look: Look | None = None
        self.news: deque[str] = deque(maxlen=KEPT_NEWS)
        self.fault = ""
        self.here = machine_here(site) if site is not None else None
        self._listening = Listening(Wish(interfaces, site, self.here, save))
        self._tell = tell
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @property
    def running(self) -> bool:
        return not self._over.is_set()

    def stop(self) -> None:
        """End, with a last look; returns when the file is whole."""
        self._over.set()
        self._thread.join()

    def _run(self) -> None:
        due = time.monotonic() + LOOK_S
        with self._listening as listening:
            try:
                while not self._over.is_set():
                    listening.hear(TURN_S)
                    if time.monotonic() >= due:
                        due = time.monotonic() + LOOK_S
                        self._see(listening.look())
                self._see(listening.end())
            except ToolError as error:
                self.fault = str(error)
                self._over.set()
        self._tell()

    def _see(self, look: Look) -> None:
        self.look = look
        self.news.extendleft(news(look))
        self._tell()


def interfaces_here() -> list[str]:
    """The names of this machine's interfaces, and "any" for all of them."""
    return [*(name for _, name in socket.if_nameindex()), "any"]
