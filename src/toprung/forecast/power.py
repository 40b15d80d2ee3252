"""How long a battery lasts, whether the robot gets home on its reserve, and how much of its time it charges.

Peukert (1897): a battery rated C at H hours gives a draw P for t = H (C / (P H))^k.  Energy stands for
charge here, at the battery's nominal voltage.  Makers also print a "Peukert capacity" Cp with t = Cp / I^k:
the same law in other units, and a number that must not be taken for C.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import log

from toprung.model.figures import PowerFigures
from toprung.model.site import Power, Site

ASSUMED_RATED_H = 20.0  # IEC 60254-1 and common practice for lead-acid: capacity at the 20-hour rate


@dataclass(frozen=True, slots=True)
class Endurance:
    """What is known of a battery, what was taken for it, and what the site would have to say."""

    figures: PowerFigures
    assumptions: tuple[str, ...]
    missing: tuple[str, ...]


def rated_time(capacity: float, hours: float, draw: float, exponent: float = 1.0) -> float:
    """Hours from full to empty, t = H (C / (I H))^k; `capacity` in Ah and `draw` in A, or Wh and W."""
    return float(hours * (capacity / (draw * hours)) ** exponent)


def peukert_time(peukert_capacity: float, draw: float, exponent: float) -> float:
    """Hours from full to empty, t = Cp / I^k, for a maker's Peukert capacity (amperes only)."""
    return float(peukert_capacity / draw**exponent)


def peukert_exponent(draw: float, hours: float, other_draw: float, other_hours: float) -> float:
    """k from two discharges: ln(t2 / t1) / ln(I1 / I2)."""
    return log(other_hours / hours) / log(draw / other_draw)


def power_of(site: Site) -> dict[str, Endurance]:
    """Every battery of the site."""
    return {power.name: endurance(power) for power in site.power}


def endurance(power: Power) -> Endurance:
    """What one battery's declaration comes to."""
    if power.capacity_wh is None or not power.loads:
        return Endurance(PowerFigures(power_w=_draw(power) or None), (), _missing(power))
    draw_w = _draw(power)
    if draw_w == 0:
        return Endurance(PowerFigures(power_w=0.0), (), ("its loads draw nothing",))
    full_s = 3600 * rated_time(power.capacity_wh, _rated_h(power), draw_w, power.peukert or 1.0)
    usable = 1 - (power.reserve or 0.0)
    run_s = usable * full_s
    charge_s = 3600 * usable * power.capacity_wh / power.dock_power_w if power.dock_power_w else None
    home_s = _home_s(power)
    covered = None if home_s is None or power.reserve is None else home_s <= power.reserve * full_s
    figures = PowerFigures(
        power_w=draw_w,
        run_time_s=run_s,
        charge_time_s=charge_s,
        dock_share=None if charge_s is None or run_s == 0 else charge_s / (charge_s + run_s),
        home_wh=None if home_s is None else draw_w * home_s / 3600,
        home_time_s=home_s,
        home_covered=covered,
    )
    return Endurance(figures, _assumptions(power), _missing(power))


def _draw(power: Power) -> float:
    return sum(load.power_w for load in power.loads)


def _rated_h(power: Power) -> float:
    return power.rated_ns / 3.6e12 if power.rated_ns else ASSUMED_RATED_H


def _home_s(power: Power) -> float | None:
    if power.farthest_m is None or not power.speed_m_per_s:
        return None
    return power.farthest_m / power.speed_m_per_s


def _assumptions(power: Power) -> tuple[str, ...]:
    said = [f"{power.name}: all loads draw their declared power all the time."]
    if power.peukert is None:
        said.append(
            f"{power.name}: the battery gives its capacity at any draw (no Peukert exponent is given)."
        )
    elif not power.rated_ns:
        said.append(f"{power.name}: the capacity is that of a {ASSUMED_RATED_H:g} h discharge.")
    if power.reserve is None:
        said.append(f"{power.name}: no reserve is kept.")
    if power.dock_power_w:
        said.append(f"{power.name}: the dock's power goes into the battery, without losses.")
    return tuple(said)


_NEEDS: tuple[tuple[str, Callable[[Power], bool]], ...] = (  # what a figure needs, and whether it is there
    ("capacity", lambda p: p.capacity_wh is not None),
    ("loads", lambda p: bool(p.loads)),
    ("dock_power", lambda p: bool(p.dock_power_w)),
    ("farthest", lambda p: p.farthest_m is not None),
    ("speed", lambda p: bool(p.speed_m_per_s)),
)


def _missing(power: Power) -> tuple[str, ...]:
    """The keys of the site file that would tell more."""
    return tuple(f"power.{power.name}.{key}" for key, is_there in _NEEDS if not is_there(power))
