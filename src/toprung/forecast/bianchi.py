"""Contention: what stations that share the air do to each other.

Saturated: G. Bianchi, "Performance analysis of the IEEE 802.11 distributed coordination function", IEEE
JSAC 18(3), 2000.  Below saturation: K. Duffy, D. Malone and D. J. Leith, "Modeling the 802.11 distributed
coordination function in non-saturated conditions", IEEE Communications Letters 9(8), 2005, whose chain has
a state for a station that has nothing to send (formula from memory; with a full queue it is Bianchi's,
with a nearly empty one the station sends what arrives, and the tests hold it to both).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, expm1, log1p
from typing import NamedTuple

HALVINGS = 60  # of the interval that holds a root: to the last bit of a float
ROUNDS = 400  # of damped iteration, until no chance moves by more than this:
SETTLED = 1e-10
ALMOST_SURE = 1 - 1e-12


@dataclass(frozen=True, slots=True)
class Window:
    """Backoff: `least` slots at first (CWmin + 1), doubled after each of the first `doublings` collisions."""

    least: int
    doublings: int


@dataclass(frozen=True, slots=True)
class Exchange:
    """What the air is taken for, in one unit of time: an idle slot, a success, a collision.

    `payload` is what a success carries; throughput comes in its unit for each unit of time.
    """

    slot: float
    success: float
    collision: float
    payload: float


@dataclass(frozen=True, slots=True)
class Saturation:
    """n stations that always have a frame: chance that one sends in a slot, that its frame collides."""

    attempt: float
    collision: float
    throughput: float


@dataclass(frozen=True, slots=True)
class Station:
    """A station's frames: so many in a unit of time, each taking so long alone, or spoilt."""

    rate: float
    success: float
    collision: float


@dataclass(frozen=True, slots=True)
class Contention:
    """Stations with frames at their own rates: chance of an attempt in a slot and of a collision, each by
    station; mean length of a slot; share of time in which the air is not idle, and in which it is spoilt.
    """

    attempts: tuple[float, ...]
    collisions: tuple[float, ...]
    slot: float
    busy: float
    spoilt: float


def window_of(cw_min: int, cw_max: int) -> Window:
    """The window of a standard's contention limits (CWmin + 1 doubles until CWmax + 1)."""
    return Window(cw_min + 1, ((cw_max + 1) // (cw_min + 1)).bit_length() - 1)


def attempt_chance(collision: float, window: Window) -> float:
    """Bianchi (2000), equation (7), with the geometric series written out: no hole at a collision chance
    of one half."""
    series = sum((2 * collision) ** k for k in range(window.doublings))
    return 2 / (1 + window.least + collision * window.least * series)


def saturation(stations: int, window: Window, exchange: Exchange) -> Saturation:
    """n >= 1 saturated stations.  The equations have one root (the attempt chance falls as collisions rise),
    found by halving."""
    if stations < 1:
        raise ValueError("contention needs at least one station")
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        others = 1 - (1 - attempt_chance(middle, window)) ** (stations - 1)
        low, high = (middle, high) if others > middle else (low, middle)
    collision = 0.0 if stations == 1 else (low + high) / 2
    attempt = attempt_chance(collision, window)
    return Saturation(attempt, collision, throughput(stations, attempt, exchange))


def throughput(stations: int, attempt: float, exchange: Exchange) -> float:
    """Bianchi (2000), equation (13)."""
    idle = (1 - attempt) ** stations
    success = stations * attempt * (1 - attempt) ** (stations - 1)
    mean = idle * exchange.slot + success * exchange.success + (1 - idle - success) * exchange.collision
    return success * exchange.payload / mean


def unsaturated_attempt(collision: float, arrival: float, window: Window) -> float:
    """Chance that a station sends in a slot in which a frame arrives with chance `arrival` (0..1); Duffy,
    Malone and Leith (2005), equations (4) and (5)."""
    if arrival <= 0:
        return 0.0
    if arrival >= 1:
        return attempt_chance(collision, window)
    w, q, p = window.least, arrival, min(collision, 1 - 1e-9)
    refill = w / -expm1(w * log1p(-q))
    longer = w * (1 + sum((2 * p) ** k for k in range(window.doublings))) + 1  # windows after a collision
    norm = (
        (1 - q)
        + q * q * (w + 1) * refill / 2
        + q * (w + 1) / (2 * (1 - q)) * (q * q * refill + p * (1 - q) - q * (1 - p) ** 2)
        + p * q * q / (2 * (1 - q) * (1 - p)) * (refill - (1 - p) ** 2) * longer
    )
    return q * q / (1 - q) * (refill / (1 - p) - (1 - p)) / norm


def contention(stations: Sequence[Station], window: Window, slot: float) -> Contention:
    """Stations that send at their own rates: the fixed point of every station's attempt chance, its
    collision chance and the mean slot.  Frames are taken to arrive independently of each other, one waiting
    at most; the mean slot in which a frame may arrive is the cell's (Malone, Duffy and Leith, IEEE/ACM
    Transactions on Networking 15(1), 2007, for stations that differ).
    """
    order = sorted(range(len(stations)), key=lambda i: -stations[i].collision)
    attempts, collisions = [0.0] * len(stations), [0.0] * len(stations)
    mean = _slot_of(stations, order, attempts, slot)
    for _ in range(ROUNDS):
        collisions = _collisions(attempts)
        wanted = [
            unsaturated_attempt(chance, -expm1(-one.rate * mean.length), window)
            for one, chance in zip(stations, collisions, strict=True)
        ]
        moved = max((abs(w - a) for w, a in zip(wanted, attempts, strict=True)), default=0.0)
        attempts = [(w + a) / 2 for w, a in zip(wanted, attempts, strict=True)]
        mean = _slot_of(stations, order, attempts, slot)
        if moved < SETTLED:
            break
    return Contention(
        tuple(attempts), tuple(collisions), mean.length, mean.busy / mean.length, mean.spoilt / mean.length
    )


def _collisions(attempts: Sequence[float]) -> list[float]:
    """Each station's chance that another sends in its slot."""
    quiet = sum(log1p(-min(a, ALMOST_SURE)) for a in attempts)
    return [-expm1(min(0.0, quiet - log1p(-min(a, ALMOST_SURE)))) for a in attempts]


class _Slot(NamedTuple):
    """Mean length of a slot, and what of it is not idle and what is spoilt by collisions."""

    length: float
    busy: float
    spoilt: float


def _slot_of(
    stations: Sequence[Station], order: Sequence[int], attempts: Sequence[float], slot: float
) -> _Slot:
    """A collision lasts as long as its longest frame: `order` has the longest first."""
    idle = exp(sum(log1p(-min(a, ALMOST_SURE)) for a in attempts))
    success = spoilt = 0.0
    none_longer, none_shorter = 1.0, idle
    for i in order:
        chance = min(attempts[i], ALMOST_SURE)
        none_shorter /= 1 - chance
        success += chance * none_longer * none_shorter * stations[i].success
        spoilt += chance * none_longer * (1 - none_shorter) * stations[i].collision
        none_longer *= 1 - chance
    return _Slot(idle * slot + success + spoilt, success + spoilt, spoilt)
