"""What is kept of datagrams that came: which numbers were there already, and what came of each stream."""

from __future__ import annotations

from dataclasses import dataclass, field

from toprung.live.probing.messages import Ping, Pong, Report

WINDOW = 4096  # numbers that may come out of order; the anti-replay window of RFC 4303, 3.4.3, made wider
MOST_PARTLY = 64  # samples of one stream of which some parts are still missing
MOST_DELAYS = 4096  # kept of a stream; beyond, every second one is given up
QUANTILES = (0.05, 0.50, 0.95)


@dataclass(slots=True)
class Window:
    """Accepts every number once; one that is too old to tell is refused."""

    highest: int = -1
    seen: int = 0  # bit i: highest - i

    def fresh(self, number: int) -> bool:
        """Whether this number is new; it is not afterwards."""
        ahead = number - self.highest
        if ahead > 0:
            self.seen = 1 if ahead >= WINDOW else (self.seen << ahead | 1) & ((1 << WINDOW) - 1)
            self.highest = number
            return True
        if -ahead >= WINDOW or self.seen >> -ahead & 1:
            return False
        self.seen |= 1 << -ahead
        return True


@dataclass(slots=True)
class Thinned:
    """At most MOST_DELAYS values, evenly over all that came; the extremes exactly."""

    least: int | None = None
    most: int | None = None
    kept: list[int] = field(default_factory=list)
    count: int = 0
    stride: int = 1

    def add(self, value: int) -> None:
        self.least = value if self.least is None else min(self.least, value)
        self.most = value if self.most is None else max(self.most, value)
        if self.count % self.stride == 0:
            self.kept.append(value)
        self.count += 1
        if len(self.kept) > MOST_DELAYS:
            self.kept = self.kept[::2]
            self.stride *= 2

    def quantiles(self) -> tuple[int, ...]:
        """Least, p05, p50, p95, most; zeros where nothing came."""
        if self.least is None or self.most is None:
            return (0,) * (len(QUANTILES) + 2)
        ranked = sorted(self.kept)
        inner = (ranked[min(len(ranked) - 1, int(q * len(ranked)))] for q in QUANTILES)
        return self.least, *inner, self.most


@dataclass(slots=True)
class Tally:
    """What came of one stream at one end."""

    received: int = 0
    whole: int = 0
    answered: int = 0
    refused: int = 0
    unsendable: int = 0
    bytes: int = 0
    delays: Thinned = field(default_factory=Thinned)
    overflow_first: int | None = None
    overflow_last: int = 0
    _partly: dict[int, int] = field(default_factory=dict)  # sample -> parts that came

    def count(self, datagram: Ping | Pong, size_bytes: int, delay_ns: int, overflow: int) -> None:
        """One more; `overflow`: what the socket had lost by then since it was opened."""
        self.received += 1
        self.bytes += size_bytes
        self.delays.add(delay_ns)
        self.overflow_first = overflow if self.overflow_first is None else self.overflow_first
        self.overflow_last = max(self.overflow_last, overflow)
        came = self._partly.pop(datagram.sample, 0) + 1
        if came == datagram.parts:
            self.whole += 1
            return
        self._partly[datagram.sample] = came
        if len(self._partly) > MOST_PARTLY:
            del self._partly[next(iter(self._partly))]

    @property
    def overflowed(self) -> int:
        """Datagrams that the socket lost between the first and the last that came."""
        return self.overflow_last - (self.overflow_first or 0)

    def report(self, stream: int) -> Report:
        """As the other end is told."""
        return Report(
            stream,
            self.received,
            self.whole,
            self.answered,
            self.refused,
            self.unsendable,
            self.overflowed,
            self.bytes,
            *self.delays.quantiles(),
        )
