"""An outcome without its reasons: how far each flow climbed, and all figures.  Its JSON can be read back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

from toprung.diagnose.observed import Observed
from toprung.errors import UsageError
from toprung.forecast.result import Forecast
from toprung.model.figures import (
    Discovery,
    Figures,
    FlowFigures,
    LinkFigures,
    LoopFigures,
    MachineFigures,
    PowerFigures,
)
from toprung.model.ladder import RUNGS, Climb, Flow, State
from toprung.pictures.envelope import DISCOVERY_KEYS, SAMPLES_KEYS, VERSION
from toprung.pictures.figures import figures_of

FORECAST, OBSERVED = "forecast", "observed"
_F = TypeVar("_F", LinkFigures, LoopFigures, PowerFigures)


@dataclass(frozen=True, slots=True)
class Told:
    """`kind`: forecast or observed.  The climbs carry no findings."""

    kind: str
    site: str | None
    climbs: Mapping[Flow, Climb]
    figures: Figures


def told_of(outcome: Forecast | Observed) -> Told:
    """An outcome that is at hand."""
    climbs = {c.flow: replace(c, findings=()) for c in outcome.ladder.climbs}
    if isinstance(outcome, Forecast):
        return Told(FORECAST, outcome.site.name, climbs, outcome.figures)
    return Told(OBSERVED, outcome.site.name if outcome.given else None, climbs, figures_of(outcome))


def read_told(data: Any, where: str) -> Told:
    """An outcome from its JSON.  Raises UsageError where this is no such JSON; `where` names it."""
    if not isinstance(data, dict) or data.get("toprung") != VERSION:
        raise _unfit("this is no JSON of a forecast or reading", where)
    try:
        return Told(
            data["kind"],
            data["site"],
            {climb.flow: climb for climb in map(_climb, data["flows"])},
            Figures(
                {name: _machine(entry) for name, entry in data["machines"].items()},
                {name: _known(LinkFigures, entry) for name, entry in data["links"].items()},
                {_flow(entry): _samples(entry) for entry in data["flows"]},
                {name: _known(LoopFigures, entry) for name, entry in data["loops"].items()},
                {name: _known(PowerFigures, entry) for name, entry in data.get("power", {}).items()},
            ),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _unfit(f"an entry is not as version {VERSION} has it ({error})", where) from None


def _unfit(what: str, where: str) -> UsageError:
    return UsageError(what, where, "what `toprung read SITE CAPTURE --json` prints would be right")


def _flow(entry: Mapping[str, Any]) -> Flow:
    return Flow(entry["topic"], entry["from"], entry["to"])


def _climb(entry: Mapping[str, Any]) -> Climb:
    return Climb(_flow(entry), tuple(State(entry["rungs"][rung]) for rung in RUNGS), entry["cause"])


def _number(value: Any) -> float | None:
    if value is not None and not isinstance(value, int | float):
        raise ValueError(f"{value!r} is no number")
    return value


def _known(kind: Callable[..., _F], entry: Mapping[str, Any]) -> _F:
    """Figures of one kind; what this version does not know is passed over."""
    names = [f.name for f in fields(kind)]  # type: ignore[arg-type]
    return kind(**{name: _number(entry.get(name)) for name in names})


def _samples(entry: Mapping[str, Any]) -> FlowFigures:
    samples = entry.get("samples") or {}
    told = {key: _number(samples.get(key)) for key in SAMPLES_KEYS}
    return FlowFigures(**told, introduced_after_s=_number(entry.get("introduced_after_s")))


def _machine(entry: Mapping[str, Any]) -> MachineFigures:
    rush = {key: _number(entry["discovery"].get(key)) for key in DISCOVERY_KEYS}
    introduced = entry["introduced_after_s"]
    return MachineFigures(
        known_participants=entry["known_participants"],
        known_endpoints=entry["known_endpoints"],
        discovery=None if rush["window_s"] is None else Discovery(**rush),  # type: ignore[arg-type]
        introduced_p50_s=_number(introduced["p50"]),
        introduced_p95_s=_number(introduced["p95"]),
        budget_use=_number(entry["budget_use"]),
        limit=entry["limit"],
    )
