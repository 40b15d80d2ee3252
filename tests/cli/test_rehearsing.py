"""What is drawn while a rehearsal runs."""

from __future__ import annotations

import io
import os
import re
from importlib.resources import files
from types import SimpleNamespace

from toprung.cli import rehearsing
from toprung.cli.rehearsing import Screen
from toprung.live.reading import CaptureWord
from toprung.model.site_file import load_site

FERNHOUSE = files("toprung.examples") / "fernhouse"


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self):
        return True


def test_a_narrow_terminal_gets_no_wrapped_lines(monkeypatch):
    """They would be counted as one line, and drawn over wrongly."""
    monkeypatch.setattr(rehearsing.shutil, "get_terminal_size", lambda: os.terminal_size((40, 20)))
    site = load_site((FERNHOUSE / "site.yaml").read_bytes(), "site.yaml")
    words = [CaptureWord("base", str(FERNHOUSE / "base.pcap.gz"))]
    running = SimpleNamespace(words=lambda: words, elapsed_s=1.0, seconds=20.0)
    screen = Screen(site, running, Terminal())
    screen._show(screen._observed())
    lines = re.sub(r"\x1b\[[0-9;]*[A-Za-z]", "", screen.stream.getvalue()).splitlines()
    assert any(line.startswith("cart1/odom") for line in lines)
    assert max(map(len, lines)) <= 40
