"""Quantities with units, as site files write them: "50 Hz", "65 Mbit/s", "40 ms", "1 %", "720 B".

A value is kept in its base unit: seconds become integer nanoseconds, bytes stay integer, everything else
is a float (a share is a fraction of one).  Arithmetic is decimal, so that what is written comes back.
Prefixes are the SI's (kB is 1,000 bytes); KiB and MiB are IEC 80000-13's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from re import compile as compile_pattern


@dataclass(frozen=True, slots=True)
class Dimension:
    """One kind of quantity.  `units`: their sizes in base units; writing takes the first that fits."""

    name: str
    units: Mapping[str, Decimal]
    example: str
    whole: bool = False  # kept as an int
    greatest: Decimal = Decimal("1e15")
    positive: bool = False  # zero makes no sense


def _sizes(**sizes: str) -> dict[str, Decimal]:
    return {unit: Decimal(size) for unit, size in sizes.items()}


TIME = Dimension(
    "a time",
    _sizes(s="1e9", ms="1e6", us="1e3", ns="1", min="60e9", h="3600e9") | {"µs": Decimal("1e3")},
    "40 ms",
    whole=True,
    greatest=Decimal("1e18"),
)
RATE = Dimension(
    "a rate", _sizes(Hz="1", kHz="1e3") | {"/s": Decimal(1)}, "50 Hz", greatest=Decimal("1e9"), positive=True
)
BIT_RATE = Dimension(
    "a bit rate",
    {"Gbit/s": Decimal("1e9"), "Mbit/s": Decimal("1e6"), "kbit/s": Decimal("1e3"), "bit/s": Decimal(1)},
    "65 Mbit/s",
    positive=True,
)
SIZE = Dimension(
    "a size", _sizes(MB="1e6", kB="1e3", B="1", KiB="1024", MiB="1048576"), "720 B", whole=True, positive=True
)
SHARE = Dimension("a share", {"%": Decimal("0.01")}, "2 %", greatest=Decimal(1))
LENGTH = Dimension("a length", _sizes(m="1", cm="0.01", mm="0.001"), "0.10 m")
SPEED = Dimension("a speed", {"m/s": Decimal(1)}, "0.45 m/s")
ACCELERATION = Dimension(
    "an acceleration", {"m/s^2": Decimal(1), "m/s²": Decimal(1)}, "0.8 m/s^2", positive=True
)
POWER = Dimension("a power", _sizes(W="1", kW="1e3", mW="1e-3"), "14 W")
ENERGY = Dimension("an energy", _sizes(Wh="1", kWh="1e3"), "60 Wh", positive=True)

_QUANTITY = compile_pattern(
    r"([+-]?(?:\d{1,30}(?:\.\d{0,30})?|\.\d{1,30})(?:[eE][+-]?\d{1,3})?)\s*(\S.{0,9})?"
)


class QuantityError(ValueError):
    """A text is no quantity of the wanted dimension; `right` is one that would be."""

    def __init__(self, what: str, right: str) -> None:
        super().__init__(what, right)
        self.what = what
        self.right = right


def number_of(written: object, dimension: Dimension) -> int | float:
    """The quantity in base units; raises QuantityError where unit, number or range is wrong."""
    if isinstance(written, bool) or not isinstance(written, str | int | float):
        raise QuantityError(f"{dimension.name} with its unit is needed here", f'"{dimension.example}"')
    match = _QUANTITY.fullmatch(str(written).strip())
    if match is None:
        raise QuantityError(f'"{shortened(str(written))}" is not {dimension.name}', f'"{dimension.example}"')
    number, unit = match.groups()
    if unit is None:
        suggestion = f"{number} {dimension.example.split()[1]}"
        raise QuantityError(f"{number} has no unit; {dimension.name} is needed here", f'"{suggestion}"')
    if unit not in dimension.units:
        known = ", ".join(dimension.units)
        raise QuantityError(f'"{unit}" is not a unit of {dimension.name} ({known})', f'"{dimension.example}"')
    return _in_range(Decimal(number) * dimension.units[unit], str(written), dimension)


def _in_range(value: Decimal, written: str, dimension: Dimension) -> int | float:
    if value < 0 or (value == 0 and dimension.positive):
        raise QuantityError(f"{written} is too small for {dimension.name}", f'"{dimension.example}"')
    if value > dimension.greatest:
        raise QuantityError(f"{written} is too much for {dimension.name}", f'"{dimension.example}"')
    if not dimension.whole:
        return float(value)
    if value != int(value):
        raise QuantityError(f"{written} is finer than can be kept", f'"{dimension.example}"')
    return int(value)


def written(value: int | float, dimension: Dimension) -> str:
    """The quantity as a site file writes it; `number_of(written(v, d), d) == v` for every v in range."""
    exact = Decimal(value) if dimension.whole else Decimal(repr(float(value)))
    decimal = [(unit, size) for unit, size in dimension.units.items() if _writes(unit, size)]
    base = next((pair for pair in decimal if pair[1] == 1), decimal[0])
    unit, size = next((pair for pair in decimal if exact >= pair[1]), base)
    return f"{_plain(exact / size)} {unit}"


def _writes(unit: str, size: Decimal) -> bool:
    """Units that are powers of ten lose nothing in a division."""
    return unit.isascii() and size.normalize().as_tuple().digits == (1,)


def _plain(number: Decimal) -> str:
    try:
        whole = number.to_integral_value()
    except InvalidOperation:  # too many digits for the context: it has no fraction worth the name
        return f"{number:f}"
    return f"{whole:f}" if number == whole else f"{number.normalize():f}"


def shortened(text: str, most: int = 40) -> str:
    """A text short enough for one line of an error."""
    flat = " ".join(text.split())
    return flat if len(flat) <= most else flat[: most - 1] + "…"
