"""Clocks: what four time stamps say of their offset, and how well a path lets two of them agree.

RFC 5905 (NTPv4), section 8: T1 the question leaves, T2 it comes in, T3 the answer leaves, T4 it comes in.
Seconds throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

TOLERANCE = 15e-6  # RFC 5905, 7.1: PHI, frequency tolerance of a disciplined clock, s/s


@dataclass(frozen=True, slots=True)
class Reading:
    """One exchange.  The other clock is ahead by `offset_s`, give or take `bound_s`."""

    offset_s: float
    delay_s: float  # there and back, without the time that the other took to answer

    @property
    def bound_s(self) -> float:
        """Half the delay: all of it may have been on one way."""
        return self.delay_s / 2

    @property
    def least_s(self) -> float:
        return self.offset_s - self.bound_s

    @property
    def greatest_s(self) -> float:
        return self.offset_s + self.bound_s


def reading(t1_s: float, t2_s: float, t3_s: float, t4_s: float) -> Reading:
    """Offset ((T2 - T1) + (T3 - T4)) / 2 and delay (T4 - T1) - (T3 - T2), RFC 5905, 8.

    RFC 2030 printed the delay as (T4 - T1) - (T2 - T3), an error corrected since.
    """
    return Reading(((t2_s - t1_s) + (t3_s - t4_s)) / 2, (t4_s - t1_s) - (t3_s - t2_s))


def drifted(bound_s: float, since_s: float, tolerance: float = TOLERANCE) -> float:
    """The bound of an offset some time after it was read: it grows by the tolerance (RFC 5905, 11.2)."""
    return bound_s + tolerance * since_s


def drift(earlier: Reading, later: Reading, between_s: float) -> float:
    """How fast the other clock gains, s/s, from two readings."""
    return (later.offset_s - earlier.offset_s) / between_s


def sync_error(best_s: float, worst_s: float, interval_s: float = 0.0, tolerance: float = TOLERANCE) -> float:
    """How far off two clocks can be that agree over a path with one-way delays from best to worst.

    An exchange whose one way is the slowest and other the quickest is off by half the difference;
    until the next one, `interval_s` later, both drift.
    """
    return drifted((worst_s - best_s) / 2, interval_s, tolerance)
