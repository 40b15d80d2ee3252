"""Datagrams as the declared flows between two machines would send them, all flows together."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from heapq import merge

from toprung.forecast.frames import Way, payloads_of
from toprung.forecast.profile import profile_of
from toprung.live.probing.checks import LAST_S, Path
from toprung.live.probing.messages import LEAST_ASKING_BYTES, MOST_BYTES, Ping
from toprung.live.probing.prober import Prober
from toprung.model.qos import Reliability
from toprung.model.site import DeclaredFlow, Site

UNSAID_HZ = 1.0  # of a flow without a declared rate


@dataclass(frozen=True, slots=True)
class Burst:
    """One flow: the UDP payloads of a sample.  `forth`: from the prober's machine to the server's."""

    flow: DeclaredFlow
    forth: bool
    rate_hz: float
    parts_bytes: tuple[int, ...]

    @property
    def bytes_per_s(self) -> float:
        return self.rate_hz * sum(self.parts_bytes)


def bursts_of(site: Site, near: str, far: str) -> tuple[tuple[Burst, ...], tuple[str, ...]]:
    """The site's flows between two of its machines, and what has to be left out, in words."""
    bursts, left_out = [], []
    for flow in site.flows():
        writer = site.participant(flow.writer)
        ends = (writer.machine, site.participant(flow.reader).machine)
        if ends not in ((near, far), (far, near)):
            continue
        if flow.size_bytes is None:
            left_out.append(f"{flow.flow}: no size is declared")
            continue
        way = Way(reliable=flow.offered.qos.reliability is Reliability.RELIABLE)
        sizes = payloads_of(flow.size_bytes, profile_of(writer.middleware).data, way)
        parts = tuple(min(size, MOST_BYTES) for size in sizes)
        bursts.append(Burst(flow, ends[0] == near, flow.rate_hz or UNSAID_HZ, parts))
    return tuple(bursts), tuple(left_out)


def affordable(bursts: Sequence[Burst], most_bytes_per_s: float) -> tuple[tuple[Burst, ...], tuple[str, ...]]:
    """Those that together keep within the server's limits, the smallest first; the others in words."""
    taken: list[Burst] = []
    left_out = []
    for burst in sorted(bursts, key=lambda b: b.bytes_per_s):
        if sum(b.bytes_per_s for b in taken) + burst.bytes_per_s <= most_bytes_per_s:
            taken.append(burst)
        else:
            says = f"{burst.bytes_per_s / 1e6:.1f} MB/s are more than the server's limit leaves"
            left_out.append(f"{burst.flow.flow}: {says}")
    return tuple(b for b in bursts if b in taken), tuple(left_out)


def send_bursts(
    prober: Prober, path: Path, bursts: Sequence[Burst], seconds: float, progress: Callable[[float], None]
) -> tuple[tuple[int, int, int], ...]:
    """Send all flows for some seconds, each sample's datagrams at once.

    For each burst: its stream, its samples, and by how much (ms) it was sent late at worst.
    """
    streams = [prober.stream() for _ in bursts]
    counts, worst = [0] * len(bursts), [0.0] * len(bursts)
    start = time.monotonic()
    for due_s, which in merge(*(_times(b, i, seconds) for i, b in enumerate(bursts))):
        prober.wait(start + due_s)
        worst[which] = max(worst[which], time.monotonic() - start - due_s)
        _send_sample(prober, path, bursts[which], streams[which], counts[which])
        counts[which] += 1
        progress(due_s / seconds)
    prober.wait(time.monotonic() + LAST_S)
    return tuple((s, n, round(w * 1e3)) for s, n, w in zip(streams, counts, worst, strict=True))


def _times(burst: Burst, which: int, seconds: float) -> Iterator[tuple[float, int]]:
    """At least one sample; flows start apart from each other, as nothing starts them together."""
    first = which / (which + 1) / burst.rate_hz if which else 0.0
    for sample in range(max(1, int(seconds * burst.rate_hz))):
        yield min(first, seconds / 2) + sample / burst.rate_hz, which


def _send_sample(prober: Prober, path: Path, burst: Burst, stream: int, sample: int) -> None:
    for part, size in enumerate(burst.parts_bytes):
        size = max(size, LEAST_ASKING_BYTES)
        answer = (0, 0) if burst.forth else (path.reply_port, size)
        ping = Ping(stream, sample, part, len(burst.parts_bytes), time.time_ns(), *answer, path.flags)
        prober.ping(ping, path.door, size)
