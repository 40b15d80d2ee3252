"""The corpus's cases: one fault each, or none, on the cart of `plan`."""

from cases import flowing, healthy, heard, introduced, matched, mixes, path, timely
from cases.case import Case

__all__ = ["CASES", "Case"]

CASES: tuple[Case, ...] = tuple(
    case
    for module in (healthy, path, heard, introduced, matched, flowing, timely, mixes)
    for case in module.CASES
)
