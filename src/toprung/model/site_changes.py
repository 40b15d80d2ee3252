"""Changes to a site before it is built: what would be if the file said something else.

A change names a place in the file and its new value, as the file would write it.  A step "*" means every
entry there; a fleet's copies are written out afterwards, so one change reaches all of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

EVERY = "*"
ENTRY_DEPTH = 2  # below a section and an entry, blocks such as qos are made where they are missing


@dataclass(frozen=True, slots=True)
class Change:
    """A place, by the keys that lead there, and what shall stand in it; None takes the key out."""

    path: tuple[str, ...]
    value: Any

    def __str__(self) -> str:
        return f"{'.'.join(self.path)}: {'(left out)' if self.value is None else _written(self.value)}"


def _written(value: Any) -> str:
    """As a site file writes it in one line."""
    match value:
        case dict():
            return "{" + ", ".join(f"{key}: {_written(item)}" for key, item in value.items()) + "}"
        case list():
            return "[" + ", ".join(map(_written, value)) + "]"
        case _:
            return str(value)


def changed(data: Any, changes: Iterable[Change]) -> Any:
    """A copy of a site file's plain data with all changes made.

    A place whose section or entry does not exist changes nothing: a site without links has no loss.
    """
    copy = deepcopy(data)
    for change in changes:
        _change(copy, change.path, change.value)
    return copy


def _change(here: Any, path: tuple[str, ...], value: Any, depth: int = 0) -> None:
    if not isinstance(here, dict):
        return
    step, rest = path[0], path[1:]
    if not rest:
        if value is None:
            here.pop(step, None)
        else:
            here[step] = value
        return
    if depth >= ENTRY_DEPTH and here.get(step) is None:
        here[step] = {}
    for key in list(here) if step == EVERY else [step]:
        if key in here:
            _change(here[key], rest, value, depth + 1)
