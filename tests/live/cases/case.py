"""One run of the corpus and its truth.

A case names the flows that its fault breaks; `shaky` flows are touched and not judged.  An edit changes
what really runs, never what the site file declares, except where the site itself is another one.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from edits import Edit

ALL = ("odom", "battery", "drive", "scan", "image", "beds", "goal")
DESK = ("scan", "image", "beds", "goal")  # flows between the desk and the companion
BASE = ("odom", "battery", "drive")
NAV = ("odom", "battery", "drive", "scan", "beds", "goal")


@dataclass(frozen=True)
class Case:
    """One run and its truth."""

    id: str
    what: str
    middleware: str
    edits: tuple[Edit, ...] = ()
    rung: tuple[str, ...] = ()
    cause: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    shaky: tuple[str, ...] = ()
    usb: bool = False
    moving: bool = False  # broken flows may still deliver some samples
    race: bool = False  # which of the broken flows break is a race: those that deliver are not judged
    extra: dict = field(default_factory=dict)


def healthy(name: str, what: str, middleware: str, *edits: Edit, **more) -> Case:
    return Case(f"h_{name}", f"healthy, {what}", middleware, edits, **more)


def case(name: str, what: str, middleware: str, rung: str, cause: str, broken, *edits: Edit, **more) -> Case:
    return Case(
        name, what, middleware, edits, tuple(rung.split()), tuple(cause.split()), tuple(broken), **more
    )
