"""RTPS durations and times: seconds and 2^-32 fractions on the wire, integer nanoseconds with us.

DDSI-RTPS 2.5, 9.3.2.  Fractions round up and nanoseconds round down, as the libraries on the wire do it:
nanoseconds survive a round trip, fractions need not.
"""

from __future__ import annotations

from toprung.model.qos import INFINITE
from toprung.wire.cdr import WireError

SECOND_NS = 1_000_000_000
INFINITE_WIRE = (0x7FFFFFFF, 0xFFFFFFFF)
_INFINITE_FRACTIONS = {0xFFFFFFFF, 0x7FFFFFFF}  # the second: DDS API notation, put on the wire by some
INVALID_TIME = (0xFFFFFFFF, 0xFFFFFFFF)


def duration_ns(seconds: int, fraction: int) -> int:
    """Nanoseconds of a Duration_t (int32 seconds, uint32 fraction).  Raises WireError if negative."""
    if seconds == INFINITE_WIRE[0] and fraction in _INFINITE_FRACTIONS:
        return INFINITE
    if seconds < 0:
        raise WireError(0, "negative duration")
    return seconds * SECOND_NS + (fraction * SECOND_NS >> 32)


def duration_wire(ns: int) -> tuple[int, int]:
    """Seconds and fraction of a duration; what is too long for the wire becomes infinite."""
    seconds, rest = divmod(ns, SECOND_NS)
    if seconds >= INFINITE_WIRE[0]:
        return INFINITE_WIRE
    return seconds, _fraction(rest)


def time_ns(seconds: int, fraction: int) -> int | None:
    """Nanoseconds since 1970 of a Time_t (uint32 seconds, uint32 fraction); None: TIME_INVALID."""
    if (seconds, fraction) == INVALID_TIME:
        return None
    return seconds * SECOND_NS + (fraction * SECOND_NS >> 32)


def time_wire(ns: int | None) -> tuple[int, int]:
    """Seconds and fraction of a time since 1970; None: TIME_INVALID."""
    if ns is None:
        return INVALID_TIME
    seconds, rest = divmod(ns, SECOND_NS)
    return seconds & 0xFFFFFFFF, _fraction(rest)


def _fraction(ns: int) -> int:
    return -(-(ns << 32) // SECOND_NS)
