"""Quantities with units on the command line, read as site files read them."""

from __future__ import annotations

from dataclasses import replace

from toprung.errors import UsageError
from toprung.model.units import TIME, Dimension, QuantityError, number_of


def quantity(written: str, dimension: Dimension, option: str) -> float:
    """The quantity in base units (a time in ns); UsageError names the option."""
    try:
        return number_of(written, dimension)
    except QuantityError as error:
        raise UsageError(error.what, option, f"would be right: {option} {error.right}") from None


def seconds(written: str, option: str) -> float:
    """A time, in seconds."""
    return quantity(written, replace(TIME, example="5 s"), option) / 1e9
