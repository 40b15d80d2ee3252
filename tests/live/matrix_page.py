"""docs/diagnosis.md from the matrix's results."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from matrix_cases import HEALTHY, ROWS, UNSEEN, Row
from matrix_marks import RIGHT, WRONG

from toprung.model.causes import CAUSES

VIEWPOINTS = ("writer", "reader", "both")
IMPLEMENTATIONS = {"cyclone": "Cyclone", "fast": "Fast", "mixed": "mixed"}
UNDECLARED = "missed"  # unseen, and nothing says why

HEAD = """# The diagnosis, as measured

Every cause that can be injected was injected into real DDS traffic, and the captures were read from three
points of view: the machine of a broken flow's writer, that of its reader, and both together.  A run is a
rehearsal of a nursery's cart with one fault of `toprung rehearse`; all its participants run Cyclone DDS, or
Fast DDS, or some of them one and some the other (mixed).  What is true of each flow is the injected fault
and what its reader counted.

- {runs} runs with one fault each, over {salts} repetitions with other addresses, names, rates and sizes;
  {healthy} runs with none.
- {versions}
- Measured on {date}.

A cell is **right** where a true cause is named for a broken flow and nothing false is said of any other;
**unseen** where that point of view cannot tell, says so, and the table below says why; **missed** where it
is left open without such a reason; **wrong** where a cause is named that is not so, a sound flow is called
broken, or a broken one is called held on every rung.

The captures of cells that were wrong or missed at their first reading served to mend the diagnosis, by
general rules; what stands below is the reading of all of them with the diagnosis of that date.  At first
reading, repetitions b and c had 4 cells wrong and 2 missed in 452 runs; two of the wrong ones named a cause
that stops (`path-blocked` for `peer-missing`).  Sixty more runs, with faults, libraries, sizes, numbers of
participants, discovery modes and beginnings of the capture put together by chance and read once by the
diagnosis as it then stood: 2 of 180 cells wrong (one flow called held in a capture begun late), 15 missed
(13 of them in captures begun late), no false cause named.

"""

REPEAT = """## How to repeat it

    sudo PYTHONPATH=src python tests/live/matrix.py run --out /tmp/matrix --salts a,b,c --jobs 3
    PYTHONPATH=src python tests/live/matrix.py page --out /tmp/matrix

Root, Linux network namespaces, both libraries and about {minutes:.0f} minutes on two cores are needed.  Each
run's captures, site file and truth stay in the folder; `matrix.py mark` reads them anew.
"""


def outcome(entry: dict, viewpoint: str) -> str:
    """The cell's mark; unseen without a declared reason is "missed"."""
    mark = entry["cells"][viewpoint]["mark"]
    if mark != "unseen":
        return mark
    return mark if reason(entry, viewpoint) else UNDECLARED


def reason(entry: dict, viewpoint: str) -> str | None:
    """Why that viewpoint cannot tell this fault, where the table says so."""
    if viewpoint == "both":
        return None
    (machine,) = entry["viewpoints"][viewpoint]
    place = "near" if machine in entry["near"] else "far"
    keys = ((entry["id"], word) for word in (place, viewpoint, "one"))
    return next((UNSEEN[key] for key in keys if key in UNSEEN), None)


def write_page(entries: list[dict], path: Path, versions: str, date: str) -> None:
    faults = [e for e in entries if e["kind"] != "healthy"]
    healthy = [e for e in entries if e["kind"] == "healthy"]
    head = HEAD.format(
        runs=len(faults),
        salts=len({e["salt"] for e in faults}),
        healthy=len(healthy),
        versions=versions,
        date=date,
    )
    parts = [
        head,
        *_numbers(faults, healthy),
        *_matrix(faults),
        *_reasons(faults),
        *_healthy(healthy),
        *_wrong(entries),
        *_left_out(),
        REPEAT.format(minutes=sum(map(_seconds, entries)) / 3 / 60),
    ]
    path.write_text("\n".join(parts))


def _seconds(entry: dict) -> float:
    return entry.get("seconds", 15.0)


def _numbers(faults: list[dict], healthy: list[dict]) -> Iterator[str]:
    yield "## In numbers\n"
    yield "| | right | unseen | missed | wrong | right or unseen |"
    yield "| --- | ---: | ---: | ---: | ---: | ---: |"
    for name in IMPLEMENTATIONS:
        for viewpoint in VIEWPOINTS:
            yield _count_line(
                f"{IMPLEMENTATIONS[name]}, {viewpoint}",
                [outcome(e, viewpoint) for e in faults if e["implementation"] == name],
            )
    yield _count_line("**all**", [outcome(e, v) for e in faults for v in VIEWPOINTS])
    stops = sum(bool(c["stops_wrongly"]) for e in faults for c in e["cells"].values())
    readings = [c for e in healthy for c in e["cells"].values()]
    found = sum(bool(c["odd"]) for c in readings)
    yield f"\nCells that name a wrong cause with severity `stops`: {stops}."
    yield f"Readings of healthy runs: {len(readings)}; with a finding: {found}.\n"


def _count_line(name: str, marks: list[str]) -> str:
    n = Counter(marks)
    good = n[RIGHT] + n["unseen"]
    share = f"{good / len(marks):.1%}" if marks else "-"
    return f"| {name} | {n[RIGHT]} | {n['unseen']} | {n[UNDECLARED]} | {n[WRONG]} | {share} |"


def _matrix(faults: list[dict]) -> Iterator[str]:
    yield "## Fault by fault\n"
    yield "W: the writer's machine, R: the reader's, B: both. A number alone: so many right; u unseen,"
    yield "m missed, w wrong; 0: the library does no harm here, and nothing is said; -: not injected.\n"
    columns = " | ".join(f"{IMPLEMENTATIONS[i]} {v}" for i in IMPLEMENTATIONS for v in "WRB")
    yield f"| fault | rung | right answers | {columns} |"
    yield "| --- | --- | --- | " + " | ".join([":-:"] * 9) + " |"
    for row in ROWS:
        of_row = [e for e in faults if e["id"] == row.id]
        causes = next((e["truth"]["causes"] for e in of_row if e["truth"]["causes"]), [])
        cells = [
            _cell([e for e in of_row if e["implementation"] == i], v)
            for i in IMPLEMENTATIONS
            for v in VIEWPOINTS
        ]
        rungs = ", ".join(dict.fromkeys(CAUSES[c][0].value for c in causes))
        yield f"| {row.id} | {rungs} | {', '.join(f'`{c}`' for c in causes)} | {' | '.join(cells)} |"
    yield ""


def _cell(entries: Iterable[dict], viewpoint: str) -> str:
    found = list(entries)
    if not found:
        return "-"
    n = Counter(outcome(e, viewpoint) for e in found if e["truth"]["causes"])
    words = [f"{n[m]}{s}" for m, s in ((RIGHT, ""), ("unseen", "u"), (UNDECLARED, "m"), (WRONG, "w")) if n[m]]
    harmless = [e for e in found if not e["truth"]["causes"]]
    if any(e["cells"][viewpoint]["mark"] == WRONG for e in harmless):
        words.append("w")
    elif harmless:
        words.append("0")
    return " ".join(words)


def _reasons(faults: list[dict]) -> Iterator[str]:
    yield "## What one point of view cannot tell\n"
    yield "| why | fault (W: from the writer's machine, R: from the reader's, B: from both) |"
    yield "| --- | --- |"
    met: dict[str, set[str]] = {}
    for e in faults:
        for v in VIEWPOINTS:
            if outcome(e, v) == "unseen":
                met.setdefault(reason(e, v) or "", set()).add(f"{e['id']} {v[0].upper()}")
    for why, names in sorted(met.items()):
        yield f"| {why} | {', '.join(sorted(names))} |"
    yield ""


def _healthy(healthy: list[dict]) -> Iterator[str]:
    yield "## Healthy runs\n"
    yield "Every machine's capture was read alone, and all together.\n"
    yield "| shape | runs | readings | findings |"
    yield "| --- | ---: | ---: | ---: |"
    for case in HEALTHY:
        found = [e for e in healthy if e["id"] == f"h-{case.id}"]
        readings = [c for e in found for c in e["cells"].values()]
        yield f"| {case.what} | {len(found)} | {len(readings)} | {sum(bool(c['odd']) for c in readings)} |"
    yield ""


def _wrong(entries: list[dict]) -> Iterator[str]:
    yield "## Every cell that is wrong or missed\n"
    lines = [
        f"- {e['id']}, {e['library']}, repetition {e['salt']}, {v}: "
        + ("; ".join(c["odd"]) if c["mark"] == WRONG else "missed")
        for e in entries
        for v, c in e["cells"].items()
        if c["mark"] == WRONG or (e["kind"] != "healthy" and outcome(e, v) == UNDECLARED)
    ]
    yield from lines or ["None."]
    yield ""


def _left_out() -> Iterator[str]:
    yield "## Not in it\n"
    for row in ROWS:
        if row.because:
            yield f"- {row.id}, {' and '.join(_others(row))}: {row.because}."
    yield "- `security-mismatch`: needs the libraries' security plugins, which the packages used here lack."
    yield "- `loop-too-slow`: a forecast's cause; no single flow's traffic shows it."
    yield ""


def _others(row: Row) -> list[str]:
    return [IMPLEMENTATIONS[i] for i in IMPLEMENTATIONS if i not in row.implementations]
