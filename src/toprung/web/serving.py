"""The page's server on a socket that already listens."""

from __future__ import annotations

import socket
import threading
from types import FrameType

import uvicorn

from toprung.web.app import create_app
from toprung.web.bench import Bench
from toprung.web.bundle import chart_script
from toprung.web.guard import Guard


class PageServer(uvicorn.Server):
    """Ends at once: pages that wait for news are let go first."""

    def __init__(self, bench: Bench, guard: Guard) -> None:
        super().__init__(
            uvicorn.Config(create_app(bench, guard), log_level="warning", timeout_graceful_shutdown=2)
        )
        self.bench = bench

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self.bench.leave()
        super().handle_exit(sig, frame)

    def serve_on(self, listening: socket.socket) -> None:
        """Serve until a signal, or until `leave`.  The chart script is made meanwhile."""
        threading.Thread(target=chart_script, daemon=True).start()
        self.run(sockets=[listening])

    def leave(self) -> None:
        """End, from another thread."""
        self.bench.leave()
        self.should_exit = True
