"""Every chart, declared once: plain data in, a Vega-Lite specification out.

The page draws it with the bundled script, `toprung.pictures.chart_svg` without any.  Forecast and capture
differ in colour and in shape: the forecast is a hollow diamond or a pale bar, what was captured a square
or a full bar, a limit a red line.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import altair as alt

Spec = dict[str, Any]
FORECAST, CAPTURED = "forecast", "captured"
COLOURS = {FORECAST: "#7d95bd", CAPTURED: "#1f6f78", "limit": "#b3362a"}
WIDTH_PX = 420
ROW_PX = 22
LEAST_MS = 0.01  # on a logarithmic axis
_CONFIG = {
    "font": "sans-serif",
    "padding": {
        "left": 14,
        "right": 14,
        "top": 6,
        "bottom": 6,
    },  # fonts are wider than they are thought to be
    "axis": {
        "labelFontSize": 11,
        "titleFontSize": 11,
        "titleFontWeight": "normal",
        "labelLimit": 190,
        "labelOverlap": True,
        "labelSeparation": 6,
    },
    "legend": {"labelFontSize": 11, "symbolSize": 90},
    "view": {"stroke": "transparent"},
}
_SOURCES = alt.Color(
    "source:N",
    scale=alt.Scale(domain=[FORECAST, CAPTURED], range=[COLOURS[FORECAST], COLOURS[CAPTURED]]),
    legend=alt.Legend(title=None, orient="top"),
)


@dataclass(frozen=True, slots=True)
class Bar:
    """A named amount, and the most that it may be."""

    name: str
    source: str  # FORECAST or CAPTURED
    amount: float
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """A named range of time from typical to worst, and its limit."""

    name: str
    source: str
    typical_s: float
    worst_s: float
    within_s: float | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """A step of a loop: how much later its end is than its beginning."""

    says: str
    typical_s: float
    worst_s: float


def bars(rows: Sequence[Bar], title: str) -> Spec:
    """Amounts by name, forecast above captured, with a red line where the limit is."""
    values = [asdict(row) for row in rows]
    base = _chart(values)
    amount = base.mark_bar(height={"band": 0.8}).encode(
        x=alt.X("amount:Q", title=title),
        y=alt.Y("name:N", title=None, sort=None),
        yOffset=alt.YOffset("source:N", sort=[FORECAST, CAPTURED]),
        color=_SOURCES,
    )
    limit = base.mark_tick(color=COLOURS["limit"], thickness=3, size=ROW_PX).encode(
        x="limit:Q", y=alt.Y("name:N", sort=None)
    )
    layers = (
        [amount, limit.transform_filter("isValid(datum.limit)")] if any(r.limit for r in rows) else [amount]
    )
    return _finished(alt.layer(*layers), len({row.name for row in rows}))


def ages(rows: Sequence[Span]) -> Spec:
    """How old samples are: from typical to worst, with a red line at what the flow allows."""
    values = [
        asdict(row)
        | {"typical": max(LEAST_MS, 1e3 * row.typical_s), "worst": max(LEAST_MS, 1e3 * row.worst_s)}
        | {"within": None if row.within_s is None else 1e3 * row.within_s}
        for row in rows
    ]
    base = _chart(values).encode(
        y=alt.Y("name:N", title=None, sort=None),
        yOffset=alt.YOffset("source:N", sort=[FORECAST, CAPTURED]),
    )
    worst = base.mark_bar(height=4).encode(
        x=alt.X(
            "typical:Q",
            title="age on arrival, typical to worst (ms)",
            scale=alt.Scale(type="log"),
            axis=alt.Axis(format="~g", tickCount=6),
        ),
        x2="worst:Q",
        color=_SOURCES,
    )
    typical = base.mark_point(filled=True, size=60, opacity=1).encode(
        x="typical:Q",
        color=_SOURCES,
        shape=alt.Shape(
            "source:N",
            scale=alt.Scale(domain=[FORECAST, CAPTURED], range=["diamond", "square"]),
            legend=alt.Legend(title=None, orient="top"),
        ),
    )
    limit = (
        _chart(values)
        .mark_tick(color=COLOURS["limit"], thickness=3, size=ROW_PX)
        .encode(x="within:Q", y=alt.Y("name:N", sort=None))
        .transform_filter("isValid(datum.within)")
    )
    layers = [worst, typical, limit] if any(row.within_s for row in rows) else [worst, typical]
    return _finished(alt.layer(*layers), len({row.name for row in rows}))


def steps(rows: Sequence[Step]) -> Spec:
    """A loop's reaction as a staircase: each step begins where the worst of the one before it ends."""
    values, begin = [], 0.0
    for row in rows:
        values.append(
            {
                "says": row.says,
                "begin": 1e3 * begin,
                "typical": 1e3 * (begin + row.typical_s),
                "worst": 1e3 * (begin + row.worst_s),
            }
        )
        begin += row.worst_s
    base = _chart(values).encode(y=alt.Y("says:N", title=None, sort=None))
    worst = base.mark_bar(color=COLOURS[FORECAST], opacity=0.5).encode(
        x=alt.X("begin:Q", title="milliseconds since it happened (pale: at worst, full: typically)"),
        x2="worst:Q",
    )
    typical = base.mark_bar(color=COLOURS[CAPTURED], height=9).encode(x="begin:Q", x2="typical:Q")
    return _finished(alt.layer(worst, typical), len(rows))


def safe_speeds(curve: Iterable[tuple[float, float]], reaction_s: float, top_speed: float | None) -> Spec:
    """The greatest safe speed over the reaction time, (s, m/s); this loop's reaction and the vehicle's top
    speed are marked.
    """
    values = [{"reaction": 1e3 * s, "speed": v} for s, v in curve]
    line = _chart(values).mark_line(color=COLOURS[CAPTURED], strokeWidth=2.5)
    layers: list[Any] = [
        line.encode(
            x=alt.X("reaction:Q", title="reaction (ms)"),
            y=alt.Y("speed:Q", title="greatest safe speed (m/s)"),
        ),
        _chart([{"reaction": 1e3 * reaction_s}])
        .mark_rule(color=COLOURS[FORECAST], strokeDash=[5, 4], strokeWidth=2)
        .encode(x="reaction:Q"),
        _said([{"reaction": 1e3 * reaction_s, "says": "this loop's reaction"}], "top").encode(
            x="reaction:Q", y=alt.value(12), text="says:N"
        ),
    ]
    if top_speed is not None:
        top = [{"speed": top_speed, "says": "the vehicle's top speed"}]
        layers.append(_chart(top).mark_rule(color=COLOURS["limit"], strokeWidth=2).encode(y="speed:Q"))
        layers.append(_said(top, "bottom").encode(x=alt.value(0), y="speed:Q", text="says:N"))
    return _finished(alt.layer(*layers), 9)


def _chart(values: list[dict[str, Any]]) -> Any:
    return alt.Chart({"values": values})


def _said(values: list[dict[str, Any]], baseline: str) -> Any:
    return _chart(values).mark_text(align="left", baseline=baseline, dx=5, dy=-3)


def _finished(chart: Any, rows: int) -> Spec:
    made = chart.properties(width=WIDTH_PX, height=max(60, ROW_PX * 1.6 * rows)).configure(**_CONFIG)
    spec: Spec = made.to_dict()
    return spec
