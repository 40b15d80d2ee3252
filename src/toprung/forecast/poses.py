"""How well the clocks of a loop's machines can agree over its links, and what that does to a pose.

Somebody who stamps a place with one clock and uses it by another is off by what the vehicle drives, and
turns, in the difference.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from toprung.forecast.clocks import sync_error
from toprung.forecast.latency import Latency
from toprung.forecast.loops import LoopForecast
from toprung.forecast.motion import PoseError, pose_error
from toprung.model.ladder import Flow
from toprung.model.site import Site

POLL_S = 64.0  # RFC 5905, 7.2: MINPOLL is 2^6 s
ASSUMPTION = (
    f"Clocks are set by NTP over the same links, every {POLL_S:g} s, and drift no more than 15 ppm between."
)


@dataclass(frozen=True, slots=True)
class Agreement:
    """Of one loop: how far its machines' clocks may be apart, and the pose error at top speed."""

    sync_error_s: float
    pose: PoseError | None  # None: the vehicle's top speed is not known


def agreements_of(
    site: Site, loops: Mapping[str, LoopForecast], latencies: Mapping[Flow, Latency]
) -> dict[str, Agreement]:
    """Every loop that crosses from one machine to another by flows of known latency."""
    home = {p.name: p.machine for p in site.participants}
    vehicles = {v.name: v for v in site.vehicles}
    found = {}
    for name, loop in loops.items():
        errors = [
            sync_error(latencies[flow].best_s, latencies[flow].way_s, POLL_S)
            for flow in loop.path
            if home[flow.writer] != home[flow.reader] and flow in latencies
        ]
        if not errors:
            continue
        vehicle = vehicles.get(loop.loop.vehicle or "")
        top = vehicle.top_speed_m_per_s if vehicle else None
        worst = max(errors)
        pose = None if vehicle is None or top is None else pose_error(worst, top, vehicle.track_m)
        found[name] = Agreement(worst, pose)
    return found
