"""Samples in pieces: how many, how likely one is lost, how long repairs take, and what is left lying about.

IPv4 fragmentation: RFC 791 (UDP: RFC 768).  RTPS fragments: DDSI-RTPS 2.5, 8.3.8.3.  The receiver's
reassembly memory: Linux Documentation/networking/ip-sysctl (ipfrag_high_thresh 4 MiB, ipfrag_time 30 s);
what a fragment costs there was measured on Linux 6.18 (FRAG in /proc/net/sockstat).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import ceil, expm1, inf, log, log1p

IP4_HEADER_BYTES, UDP_HEADER_BYTES = 20, 8
FRAGMENT_UNIT = 8  # offsets count eights (RFC 791, 3.1)
REASSEMBLY_BYTES = 4 << 20  # ipfrag_high_thresh
REASSEMBLY_S = 30.0  # ipfrag_time
QUEUE_BYTES = 200  # of the kernel's record of one unfinished datagram
# IP packet up to so many bytes -> kernel memory: the buffer's size class and its bookkeeping
BUFFER_CLASSES = ((225, 832), (673, 1280), (1697, 2304), (3745, 4352), (7841, 8448), (16033, 16640))


def ip_packets(payload_bytes: int, mtu_bytes: int) -> tuple[int, ...]:
    """Sizes of the IP packets that carry a UDP payload of so many bytes over a link of this MTU."""
    whole = UDP_HEADER_BYTES + payload_bytes
    if IP4_HEADER_BYTES + whole <= mtu_bytes:
        return (IP4_HEADER_BYTES + whole,)
    step = (mtu_bytes - IP4_HEADER_BYTES) // FRAGMENT_UNIT * FRAGMENT_UNIT
    if step <= 0:
        raise ValueError(f"an MTU of {mtu_bytes} bytes carries no fragment")
    full, rest = divmod(whole, step)
    return (IP4_HEADER_BYTES + step,) * full + ((IP4_HEADER_BYTES + rest,) if rest else ())


def fragment_count(sample_bytes: int, fragment_bytes: int) -> int:
    """RTPS fragments of a serialised sample."""
    return -(-sample_bytes // fragment_bytes)


def any_lost(loss: float, pieces: float) -> float:
    """The chance that at least one of so many pieces is lost, each with chance `loss`: 1 - (1 - p)^n."""
    if loss >= 1.0:
        return 1.0 if pieces > 0 else 0.0
    return -expm1(pieces * log1p(-loss))


def mean_rounds(loss: float, pieces: int) -> float:
    """Mean number of rounds until every piece has come, each round sending those that are missing.

    The greatest of n geometric variables: the sum over k >= 0 of 1 - (1 - p^k)^n.
    """
    if loss >= 1.0:
        return inf
    total, missing = 0.0, 1.0
    while (term := any_lost(missing, pieces)) > 1e-12:
        total += term
        missing *= loss
    return total


def rounds_for(share: float, loss: float, pieces: int) -> int | None:
    """Rounds after which every piece has come in at least this share of cases; None: never."""
    if loss <= 0.0:
        return 1
    if loss >= 1.0 or share >= 1.0:
        return None
    # (1 - p^k)^n >= share
    missing = -expm1(log(share) / pieces)
    return max(1, ceil(log(missing) / log(loss) - 1e-12))


@dataclass(frozen=True, slots=True)
class Datagrams:
    """A stream of like datagrams: IP packet sizes of one, how many come a second, chance to lose a packet."""

    packets: tuple[int, ...]
    rate_hz: float
    loss: float


@dataclass(frozen=True, slots=True)
class Reassembly:
    """A receiver's memory of unfinished datagrams.

    fill_bytes_per_s: how fast they pile up.  held_bytes: what lies there once the oldest run out.  full_s:
    when the limit is reached, inf if never; from then on no datagram in fragments is put together, of
    whatever flow, until the oldest run out.
    """

    fill_bytes_per_s: float
    held_bytes: float
    full_s: float

    @property
    def stalls(self) -> bool:
        return self.full_s < inf


def buffer_bytes(packet_bytes: int) -> int:
    """Kernel memory of one fragment."""
    at = bisect_left(BUFFER_CLASSES, (packet_bytes, 0))
    return BUFFER_CLASSES[at][1] if at < len(BUFFER_CLASSES) else 2 * packet_bytes


def left_over_bytes(packets: Sequence[int], loss: float) -> float:
    """Mean kernel memory that one datagram leaves behind because only a part of it came."""
    count = len(packets)
    if count < 2:
        return 0.0
    come = 1 - loss
    begun = 1 - loss**count - come**count
    return QUEUE_BYTES * begun + sum(map(buffer_bytes, packets)) * (come - come**count)


def reassembly(
    streams: Iterable[Datagrams], limit_bytes: float = REASSEMBLY_BYTES, timeout_s: float = REASSEMBLY_S
) -> Reassembly:
    """What the streams that reach one machine do to its reassembly memory."""
    fill = sum(s.rate_hz * left_over_bytes(s.packets, s.loss) for s in streams)
    held = fill * timeout_s
    return Reassembly(fill, min(held, limit_bytes), limit_bytes / fill if held > limit_bytes else inf)
