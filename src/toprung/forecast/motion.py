"""What a reaction time means for a vehicle: safe speed, stopping, watchdog, separation, pose error.

Uniform braking after a reaction at constant speed: d = v t + v^2 / (2 a), as any mechanics text has it.
All lengths m, times s, speeds m/s, decelerations m/s^2.  Every use of these figures shows `CAUTION`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, inf, sin, sqrt

from toprung.model.site import Vehicle

CAUTION = (
    "Speeds and distances here are arithmetic on what the site declares: level ground, steady braking, tyres "
    "that hold, a sensor that sees as far as declared, an obstacle that stands still, and no fault in "
    "hardware or software. They do not replace a risk assessment, the applicable safety standards and "
    "local rules, or a qualified person's sign-off."
)
WALKING_M_PER_S = 1.6  # ISO 13855:2010, 5: approach speed of a walking person
HAND_M_PER_S = 2.0  # and of hand and arm
GRAVITY_M_PER_S2 = 9.80665  # standard gravity, CGPM 1901


@dataclass(frozen=True, slots=True)
class Stop:
    """How a vehicle comes to rest."""

    distance_m: float
    time_s: float


def stopping(speed_m_per_s: float, reaction_s: float, braking_m_per_s2: float) -> Stop:
    """From the event to rest: d = v t + v^2 / (2 a) and t + v / a."""
    brakes_s = speed_m_per_s / braking_m_per_s2
    return Stop(speed_m_per_s * (reaction_s + brakes_s / 2), reaction_s + brakes_s)


def closing_distance(
    speed_m_per_s: float, reaction_s: float, braking_m_per_s2: float, closing_m_per_s: float
) -> float:
    """How much nearer the two come until the vehicle rests, if the other walks towards it throughout."""
    stop = stopping(speed_m_per_s, reaction_s, braking_m_per_s2)
    return stop.distance_m + closing_m_per_s * stop.time_s


def safe_speed(
    range_m: float,
    reaction_s: float,
    braking_m_per_s2: float,
    margin_m: float = 0.0,
    closing_m_per_s: float = 0.0,
) -> float:
    """The greatest speed at which the vehicle still rests `margin_m` short of what it senses at `range_m`.

    The positive root of v^2 / (2 a) + v (t + u / a) + u t = range - margin, u the speed of what comes
    nearer.  0: no speed is slow enough.
    """
    if reaction_s == inf:
        return 0.0
    free_m = range_m - margin_m - closing_m_per_s * reaction_s
    if free_m <= 0:
        return 0.0
    lost_s = reaction_s + closing_m_per_s / braking_m_per_s2
    # a (sqrt(t^2 + 2 d / a) - t), written so that nothing cancels
    return 2 * free_m / (sqrt(lost_s * lost_s + 2 * free_m / braking_m_per_s2) + lost_s)


def braking_on(friction: float, slope_rad: float = 0.0, gravity_m_per_s2: float = GRAVITY_M_PER_S2) -> float:
    """The greatest deceleration on a slope downhill: g (mu cos - sin); negative: it does not stop."""
    return gravity_m_per_s2 * (friction * cos(slope_rad) - sin(slope_rad))


def watchdog_distance(vehicle: Vehicle) -> float | None:
    """How far the vehicle goes at top speed after the last command: watchdog, then brakes."""
    if vehicle.top_speed_m_per_s is None or vehicle.watchdog_ns is None or vehicle.braking_m_per_s2 is None:
        return None
    return stopping(vehicle.top_speed_m_per_s, vehicle.watchdog_ns / 1e9, vehicle.braking_m_per_s2).distance_m


def orthogonal_separation(response_s: float, resolution_m: float) -> float:
    """The least distance of a light curtain that is approached at a right angle (ISO 13855:2010, 6.2).

    S = K T + C.  Up to 40 mm resolution: K = 2.0 m/s and C = 8 (d - 14 mm), not below 0.1 m; where that
    is above 0.5 m, K = 1.6 m/s, but not below 0.5 m.  Coarser: K = 1.6 m/s, C = 0.85 m.
    """
    if resolution_m > 0.040:
        return WALKING_M_PER_S * response_s + 0.85
    intrusion_m = max(0.0, 8 * (resolution_m - 0.014))
    fast = HAND_M_PER_S * response_s + intrusion_m
    if fast <= 0.5:
        return max(fast, 0.1)
    return max(WALKING_M_PER_S * response_s + intrusion_m, 0.5)


def parallel_separation(response_s: float, height_m: float) -> float:
    """The same for a field that is approached along its plane (ISO 13855:2010, 6.3).

    S = 1.6 m/s T + (1.2 m - 0.4 H), the last not below 0.85 m.  Raises ValueError outside 0 <= H <= 1 m.
    """
    if not 0 <= height_m <= 1:
        raise ValueError(f"{height_m} m: the field's height is to be between 0 and 1 m")
    return WALKING_M_PER_S * response_s + max(1.2 - 0.4 * height_m, 0.85)


def least_resolution_height(resolution_m: float) -> float:
    """How high a parallel field of that resolution has to be: H >= 15 (d - 50 mm)."""
    return max(0.0, 15 * (resolution_m - 0.050))


@dataclass(frozen=True, slots=True)
class PoseError:
    """Where a vehicle is taken to be, by stamps of a clock that is off."""

    along_m: float
    heading_rad: float | None  # turning on the spot; None: the track is not known


def pose_error(offset_s: float, speed_m_per_s: float, track_m: float | None = None) -> PoseError:
    """Clock offset times speed; and times the turn rate 2 v / track with the wheels against each other."""
    along_m = abs(offset_s) * speed_m_per_s
    return PoseError(along_m, 2 * along_m / track_m if track_m else None)
