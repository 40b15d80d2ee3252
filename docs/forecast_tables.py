"""Puts the measured tables into docs/forecast.md, from what the checks against real traffic wrote.

python docs/forecast_tables.py

Reads docs/discovery_check.json (tests/live/discovery_check.py), docs/data_traffic.json
(tests/live/data_check.py) and docs/ladder_check.json (tests/live/ladder_check.py); of a check that was not
run, that is said.  Ratios are forecast by seen.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from statistics import median
from typing import Any

DOCS = Path(__file__).parent
BEGIN = "<!-- tables: made by docs/forecast_tables.py -->\n"
END = "<!-- end of tables -->\n"
BARS = {"cyclone": 0.10, "fast": 0.15}  # discovery's datagrams and bytes
TIME_BAR = 0.25  # of the median time to be introduced
DATA_BAR = 0.03

Row = dict[str, Any]


def discovery(found: dict[str, Any]) -> Iterator[str]:
    """By library, mode and number of participants; each row several salted sites."""
    yield "### Discovery\n"
    yield (
        f"`python tests/live/discovery_check.py`, {found['measured']}, {' and '.join(found['libraries'])}: "
        f"{len(found['rows'])} salted sites in network namespaces, the first {found['window_s']} s, in and "
        "out of every machine. Ratio of the forecast to what was captured, least to greatest; time: "
        "until a flow's endpoints are introduced, median of the flows.\n"
    )
    yield "| library | mode | participants | sites | datagrams | bytes | worst machine | time |"
    yield "| --- | --- | ---: | ---: | --- | --- | ---: | --- |"
    groups: dict[tuple[str, str, int], list[Row]] = {}
    for row in found["rows"]:
        groups.setdefault((row["library"], row["mode"], row["participants"]), []).append(row)
    for (library, mode, participants), rows in sorted(groups.items()):
        worst = _farthest(row["worst_machine"] for row in rows)
        cells = (_span(rows, "datagrams"), _span(rows, "bytes"), f"{worst:.2f}", _span(rows, "introduced"))
        yield f"| {library} | {mode} | {participants} | {len(rows)} | {' | '.join(cells)} |"
    yield ""
    for library, bar in BARS.items():
        own = [row for row in found["rows"] if row["library"] == library]
        yield from _verdicts(library, own, (("datagrams", bar), ("bytes", bar), ("introduced", TIME_BAR)))


def data(found: dict[str, Any]) -> Iterator[str]:
    """Every case and link."""
    yield "### Samples, heartbeats and answers\n"
    yield (
        f"`python tests/live/data_check.py`, {found['measured']}, {' and '.join(found['libraries'])}, "
        f"{found['seconds']:g} s each: bytes of Ethernet frames a second on every link, discovery left out; "
        "the forecast is told the rates that the writing program really kept and the loss that chance really "
        "made. Told what the site declares instead, the ratios go "
        f"from {_span(found['rows'], 'ratio_as_declared')}.\n"
    )
    yield "| library | what | link | forecast B/s | seen B/s | ratio |"
    yield "| --- | --- | --- | ---: | ---: | ---: |"
    for row in found["rows"]:
        yield (
            f"| {row['library']} | {row['says']} | {row['link']} | {row['forecast_bytes_per_s']:,.0f} "
            f"| {row['seen_bytes_per_s']:,.0f} | {row['ratio']:.3f} |"
        )
    yield ""
    for library in BARS:
        own = [row for row in found["rows"] if row["library"] == library]
        yield from _verdicts(library, own, (("ratio", DATA_BAR),))


def ladder(found: dict[str, Any]) -> Iterator[str]:
    """How many flows came out as forecast, and each that did not."""
    rows = [row for row in found["rows"] if row["agrees"] is not None]
    sites = {row["site"] for row in rows}
    wrong = [row for row in rows if not row["agrees"]]
    named = [row for row in rows if row["forecast"]]
    same = sum(row["forecast"] == row["seen"] for row in named)
    yield "### The ladder\n"
    yield (
        f"`python tests/live/ladder_check.py`, {found['measured']}: {len(sites)} small sites, each sound or "
        f"with one thing wrong, rehearsed for {found['seconds']:g} s. A flow that is forecast to be stopped "
        f"must bring no sample, a whole one some: so it was with {len(rows) - len(wrong)} of {len(rows)} "
        f"flows. Of {len(named)} flows that are stopped, captures name the forecast's cause for {same}.\n"
    )
    for row in wrong:
        told = f"forecast {row['forecast'] or 'whole'}, received {row['received']} of {row['sent']}"
        yield f"- otherwise: {row['site']}, {row['flow']}: {told}."
    for row in named:
        if row["agrees"] and row["forecast"] != row["seen"]:
            yield f"- {row['site']}, {row['flow']}: forecast {row['forecast']}, captured {row['seen']}."
    for site, why in found["refused"].items():
        yield f"- cannot be rehearsed: {site} ({why})."


def _farthest(ratios: Iterable[float]) -> float:
    """The ratio that is farthest from 1."""
    return max(ratios, key=lambda ratio: abs(ratio - 1))


def _span(rows: list[Row], key: str) -> str:
    told = [row[key] for row in rows if row[key] is not None]
    if not told:
        return "-"
    least, most = f"{min(told):.2f}", f"{max(told):.2f}"
    return least if least == most else f"{least} to {most}"


def _verdicts(library: str, rows: list[Row], bars: Iterable[tuple[str, float]]) -> Iterator[str]:
    """How many rows are within the bar, and the worst one by name."""
    for key, bar in bars:
        told = [row for row in rows if row[key] is not None]
        if not told:
            continue
        within = sum(abs(row[key] - 1) <= bar for row in told)
        worst = max(told, key=lambda row: abs(row[key] - 1))
        name = worst.get("says") or worst["name"]
        usual = median(row[key] for row in told)
        words = "bytes" if key == "ratio" else {"introduced": "time to be introduced"}.get(key, key)
        yield (
            f"- {library}, {words}: {within} of {len(told)} within {bar:.0%}, median {usual:.3f}; "
            f"worst {worst[key]:.3f} ({name})."
        )


TABLES: tuple[tuple[str, str, Callable[[dict[str, Any]], Iterator[str]]], ...] = (
    ("discovery_check.json", "tests/live/discovery_check.py", discovery),
    ("data_traffic.json", "tests/live/data_check.py", data),
    ("ladder_check.json", "tests/live/ladder_check.py", ladder),
)


def tables(folder: Path = DOCS) -> str:
    """All tables as Markdown."""
    parts = []
    for name, script, render in TABLES:
        path = folder / name
        if path.exists():
            parts.append("\n".join(render(json.loads(path.read_text(encoding="utf-8")))))
        else:
            parts.append(f"`{script}` was not run to its end yet.")
    return "\n\n".join(parts) + "\n"


def main() -> None:
    page = DOCS / "forecast.md"
    before, after = page.read_text(encoding="utf-8").split(BEGIN)
    rest = after[after.index(END) :]
    page.write_text(f"{before}{BEGIN}\n{tables()}\n{rest}", encoding="utf-8")


if __name__ == "__main__":
    main()
