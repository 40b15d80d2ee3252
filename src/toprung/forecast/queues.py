"""Waiting in one queue: mean of M/M/1 and M/D/1, quantiles, and the bound of a leaky bucket.

Kleinrock, Queueing Systems 1 (1975): M/M/1 in chapter 3, the Pollaczek-Khinchine mean in chapter 5.
Le Boudec and Thiran, Network Calculus (2001), theorem 1.4.2.  `busy` is the utilisation; infinite at 1
and above.
"""

from __future__ import annotations

from functools import lru_cache
from math import expm1, inf, log


def markov_wait(busy: float, service_s: float) -> float:
    """Mean wait before service of M/M/1: s rho / (1 - rho)."""
    return inf if busy >= 1 else service_s * busy / (1 - busy)


def fixed_wait(busy: float, service_s: float) -> float:
    """Mean wait before a service of fixed length, M/D/1: s rho / (2 (1 - rho))."""
    return inf if busy >= 1 else service_s * busy / (2 * (1 - busy))


def mixed_wait(busy: float, moment_s: float) -> float:
    """Mean wait before service of M/G/1: lambda E[S^2] / (2 (1 - rho)), `moment_s` being lambda E[S^2]."""
    return inf if busy >= 1 else moment_s / (2 * (1 - busy))


def usual_wait(busy: float, moment_s: float) -> float:
    """The median wait before service: P(W > t) = rho exp(-rho t / mean), which is exact for M/M/1 and the
    heavy-traffic limit of M/G/1 (Kingman 1961).  0 up to rho = 1/2: half of the arrivals find nobody.
    """
    if busy >= 1:
        return inf
    return 0.0 if busy <= 0.5 else mixed_wait(busy, moment_s) * log(2 * busy) / busy


def rare_wait(busy: float, greatest_s: float, rare: float) -> float:
    """A wait that no more than this share of random arrivals exceed: P(W > t) <= exp(-theta t).

    Kingman's martingale inequality (J. Appl. Prob. 1, 1964) for M/G/1: lambda (E[exp(theta S)] - 1) = theta,
    here with no service longer than `greatest_s`, so that rho (exp(x) - 1) <= x with x = theta greatest_s.
    """
    if busy >= 1:
        return inf
    return 0.0 if busy <= 0 or greatest_s <= 0 else -log(rare) * greatest_s / _decay(max(busy, 1e-12))


@lru_cache(maxsize=4096)
def _decay(busy: float) -> float:
    """The positive root of rho (exp(x) - 1) = x, by bisection."""
    low, high = 0.0, 1.0
    while busy * expm1(high) < high:
        low, high = high, 2 * high
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if busy * expm1(middle) < middle else (low, middle)
    return high


def markov_quantile(busy: float, service_s: float, share: float) -> float:
    """Time in an M/M/1 system that this share of arrivals does not exceed: exponential."""
    return inf if busy >= 1 else -log(1 - share) * service_s / (1 - busy)


def fixed_quantile(busy: float, service_s: float, share: float) -> float:
    """Wait before a fixed service that this share of arrivals does not exceed, by its heavy-traffic tail.

    Kingman (1961): the wait's tail is nearly exponential with the mean of the waits of those who wait,
    s / (2 (1 - rho)), which the share `busy` of them does.
    """
    if busy >= 1:
        return inf
    beyond = (1 - share) / busy if busy > 0 else 1.0
    return 0.0 if beyond >= 1 else -log(beyond) * service_s / (2 * (1 - busy))


def blind_wait(own_s: float, burst_s: float, others: float) -> float:
    """The same where the server takes whom it likes: (b1 + b2) / (R - r2), without the own service.

    Le Boudec and Thiran, theorem 6.2.1 (blind multiplexing).  own_s: the sample's own service; burst_s and
    others: what all others may bring at once, and their share of the server.
    """
    return inf if others >= 1 else (own_s + burst_s) / (1 - others) - own_s


def greatest_wait(burst_s: float, busy: float) -> float:
    """The bound on the delay at a server of constant rate, s, for arrivals that are leaky-bucket shaped.

    `burst_s`: the service time of all that may arrive at once.  A stable server (busy <= 1) clears it
    after no more than that (theorem 1.4.2: burst / rate).
    """
    return inf if busy > 1 else burst_s
