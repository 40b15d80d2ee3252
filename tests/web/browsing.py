"""A real browser in front of a real server: what a person sees, and what the browser complains of."""

from __future__ import annotations

import importlib.util
import os
import socket
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from toprung.web.bench import Bench
from toprung.web.guard import guard_of
from toprung.web.serving import PageServer

CHROMIUM = Path("/usr/bin/chromium")
# the browser's own calls home are switched off: every request left is the page's
FLAGS = (
    "--no-sandbox",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PICTURES = os.environ.get("TOPRUNG_PICTURES")  # a folder: then every view is photographed into it


def missing() -> str:
    """Why no browser can be had here; empty if one can."""
    if importlib.util.find_spec("playwright") is None:
        return "no playwright (pip install playwright)"
    return "" if CHROMIUM.exists() else "no /usr/bin/chromium (apt install chromium)"


def need_browser() -> None:
    why = missing()
    if why:
        sys.stderr.write(f"\nBROWSER TESTS DO NOT RUN: {why}\n")
        pytest.skip(f"BROWSER TESTS DO NOT RUN: {why}")


@contextmanager
def served(bench: Bench) -> Iterator[str]:
    """The page of this bench, on a free port of the loopback interface; gives its address."""
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    server = PageServer(bench, guard_of("127.0.0.1"))
    thread = threading.Thread(target=server.serve_on, args=(listening,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        server.leave()
        thread.join(10)
        listening.close()


@dataclass
class Complaints:
    """What went wrong in the browser, and who was asked for what."""

    console: list[str] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)


@contextmanager
def browser() -> Iterator[object]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=str(CHROMIUM), args=list(FLAGS))
        yield started
        started.close()


def opened(started, address: str, *, width: int = 1280, height: int = 860, dark: bool = False):
    """A page of the browser, and what it complains of."""
    page = started.new_page(
        viewport={"width": width, "height": height}, color_scheme="dark" if dark else "light"
    )
    page.set_default_timeout(10_000)
    complaints = Complaints()
    page.on(
        "console", lambda said: said.type in ("error", "warning") and complaints.console.append(said.text)
    )
    page.on("pageerror", lambda error: complaints.console.append(str(error)))
    page.on(
        "request",
        lambda asked: (
            asked.url.startswith((address, "data:", "blob:")) or complaints.elsewhere.append(asked.url)
        ),
    )
    return page, complaints


def photograph(page, name: str) -> None:
    """Into the folder for pictures, where there is one."""
    if PICTURES:
        # the caret as it is: hiding it would be a style that the page's policy forbids
        page.screenshot(path=str(Path(PICTURES) / f"{name}.png"), full_page=True, caret="initial")
