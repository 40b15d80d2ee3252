"""What is wrong with a site file: every fault with its line, and what would be right."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import NoReturn, Protocol

from toprung.errors import SiteError

Path = tuple[str | int, ...]
MOST_SHOWN = 50


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault at one place of the file.  `right` says what would be right."""

    path: Path
    says: str
    right: str
    line: int | None = None

    def __str__(self) -> str:
        place = f"{dotted(self.path)}: " if self.path else ""
        return f"{place}{self.says}; would be right: {self.right}"


class SiteFaults(SiteError):
    """A site file with one or more faults; `str` gives one line each."""

    def __init__(self, name: str, faults: tuple[Fault, ...]) -> None:
        first = faults[0]
        super().__init__(first.says, name, f"would be right: {first.right}")
        self.args = (name, faults)
        self.name = name
        self.faults = faults

    def __str__(self) -> str:
        shown = [_line(self.name, fault) for fault in self.faults[:MOST_SHOWN]]
        if len(self.faults) > MOST_SHOWN:
            shown.append(f"{self.name}: … and {len(self.faults) - MOST_SHOWN} more faults")
        return "\n".join(shown)


class Lines(Protocol):
    """Knows where each path stands in the file."""

    def line(self, path: Path) -> int | None: ...


def raise_all(name: str, faults: Iterable[Fault], lines: Lines) -> NoReturn:
    """Raise SiteFaults with every fault, first line first, each said once."""
    kept: dict[tuple[int | None, str], Fault] = {}
    for fault in faults:
        placed = fault if fault.line else replace(fault, line=lines.line(fault.path))
        kept.setdefault((placed.line, placed.says), placed)
    raise SiteFaults(name, tuple(sorted(kept.values(), key=lambda f: f.line or 0)))


def dotted(path: Path) -> str:
    """A place in the file: topics.cart1/odom.to[1]."""
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f".{step}" if text else step
    return text


def nearest(wrong: str, known: Iterable[str], limit: int = 6) -> str:
    """The known word that resembles the wrong one, or the choice of all of them."""
    choices = sorted(set(known))
    close = get_close_matches(wrong, choices, n=1, cutoff=0.6)
    if close:
        return close[0]
    if not choices:
        return "declare one first"
    listed = ", ".join(choices[:limit])
    return listed if len(choices) <= limit else f"{listed}, …"


def _line(name: str, fault: Fault) -> str:
    return f"{name}:{fault.line}: {fault}" if fault.line else f"{name}: {fault}"
