"""A block that is drawn over at the foot of a terminal."""

from __future__ import annotations

import io
import os

from toprung.cli import screen
from toprung.cli.screen import Screen, cut


class Terminal(io.StringIO):
    """Plays what a terminal does with lines, "up and clear"."""

    def isatty(self):
        return True

    def shown(self):
        lines = []
        for part in self.getvalue().split("\x1b["):
            if part[:1].isdigit() and "F" in part[:4]:
                up, part = part.split("F", 1)
                lines = lines[: len(lines) - int(up)]
            lines += part.removeprefix("J").splitlines()
        return lines


def sized(monkeypatch, columns, rows):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(Terminal, "fileno", lambda self: 1)
    monkeypatch.setattr(screen.os, "get_terminal_size", lambda _: os.terminal_size((columns, rows)))
    return Terminal()


def test_the_block_is_drawn_over_and_lines_stay(monkeypatch):
    terminal = sized(monkeypatch, 80, 24)
    drawn = Screen(terminal)
    drawn.show(["began"], ["one", "two", "three"], changed=True)
    drawn.show([], ["ONE", "TWO"], changed=False)
    assert terminal.shown() == ["began", "ONE", "TWO"]
    drawn.show(["12:00  odom broken"], ["one", "two", "three", "four"], changed=True)
    assert terminal.shown() == ["began", "12:00  odom broken", "one", "two", "three", "four"]
    drawn.clear()
    drawn.show(["the end"], [], changed=False)
    assert terminal.shown() == ["began", "12:00  odom broken", "the end"]


def test_what_does_not_fit_is_cut(monkeypatch):
    terminal = sized(monkeypatch, 30, 6)
    Screen(terminal).show([], [f"line {n} " + "x" * 50 for n in range(9)], changed=True)
    shown = terminal.shown()
    assert len(shown) == 5
    assert max(map(len, shown)) == 30
    assert shown[-1].startswith("... 5 more lines")


def test_colours_take_no_room():
    assert cut("\x1b[31mabcdef\x1b[0m", 4) == "\x1b[31mabcd\x1b[0m"
    assert cut("abc", 4) == "abc"


def test_elsewhere_the_block_is_written_when_it_changed():
    stream = io.StringIO()
    drawn = Screen(stream)
    drawn.show(["began"], ["block"], changed=True)
    drawn.show([], ["block again"], changed=False)
    drawn.show(["news"], ["block at last"], changed=True)
    drawn.clear()
    assert stream.getvalue() == "began\nblock\nnews\nblock at last\n"
