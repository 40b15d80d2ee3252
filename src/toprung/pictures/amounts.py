"""Amounts in words, three figures each: durations, rates of bytes, shares, counts."""

from __future__ import annotations

from collections.abc import Callable

Say = Callable[[float], str]
NEXT_TO_NOTHING = 1e-6  # as a share


def seconds(value: float) -> str:
    """A duration in the unit that suits it, up to hours."""
    for unit, size, below in (
        ("us", 1e-6, 1e-3),
        ("ms", 1e-3, 1.0),
        ("s", 1.0, 300.0),
        ("min", 60.0, 7200.0),
    ):
        if abs(value) < below:
            return f"{value / size:.3g} {unit}"
    return f"{value / 3600:.3g} h"


def octets(value: float) -> str:
    for unit, size in (("B", 1.0), ("kB", 1e3), ("MB", 1e6)):
        if abs(value) < 1000 * size:
            return f"{value / size:.3g} {unit}"
    return f"{value / 1e9:.3g} GB"


def octets_per_s(value: float) -> str:
    return octets(value) + "/s"


def share(value: float) -> str:
    """A fraction of one as per cent; what is small keeps two figures, what is next to nothing none."""
    percent = 100 * value if value >= NEXT_TO_NOTHING else 0.0
    return f"{percent:.0f} %" if percent >= 9.95 or percent == 0 else f"{percent:.2g} %"


def count(value: float) -> str:
    return f"{value:,.0f}" if value >= 100 or value == int(value) else f"{value:.3g}"


def per_s(value: float) -> str:
    return f"{count(value)}/s"


def hertz(value: float) -> str:
    return f"{value:.3g} Hz"


def metres(value: float) -> str:
    return f"{value:.2f} m"


def metres_per_s(value: float) -> str:
    return f"{value:.2f} m/s"


def watts(value: float) -> str:
    return f"{value:.3g} W"


def watt_hours(value: float) -> str:
    return f"{value:.3g} Wh"


def said(value: float | None, say: Say, otherwise: str = "") -> str:
    """The amount in words, where it is known."""
    return otherwise if value is None else say(value)
