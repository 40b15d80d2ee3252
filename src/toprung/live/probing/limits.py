"""How much a server lets itself be asked for, and for how long."""

from __future__ import annotations

from dataclasses import dataclass

BURST_S = 0.25  # a bucket holds what its rate gives in this time
LEAST_BURST = 8.0  # greatest datagrams that any bucket holds


@dataclass(frozen=True, slots=True)
class Limits:
    """Of one run of the server."""

    answers_per_s: int = 4000
    answered_bytes_per_s: int = 30_000_000
    group_answers_per_s: int = 100  # by multicast, which everybody on the link gets
    session_s: int = 300
    session_idle_s: float = 20.0
    idle_s: float = 600.0  # without any session: the server ends
    total_s: float = 3600.0
    sessions: int = 4  # at a time
    nonces: int = 4096  # sessions in all: so many greetings are remembered, that none is taken twice


@dataclass(slots=True)
class Bucket:
    """A token bucket: `rate` a second, `most` at once (RFC 2697's committed rate and burst, one colour)."""

    rate: float
    most: float
    level: float
    filled_s: float = 0.0

    def take(self, amount: float, now_s: float) -> bool:
        """Whether so much is still allowed; it is gone then."""
        self.level = min(self.most, self.level + max(0.0, now_s - self.filled_s) * self.rate)
        self.filled_s = now_s
        if amount > self.level:
            return False
        self.level -= amount
        return True


def bucket(rate: float, unit: float) -> Bucket:
    """A full bucket; `unit`: the greatest single amount."""
    most = max(rate * BURST_S, LEAST_BURST * unit)
    return Bucket(rate, most, most)
