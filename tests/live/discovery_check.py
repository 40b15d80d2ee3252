"""The forecast's discovery against real discovery: datagrams, bytes and the time until flows are introduced.

    python tests/live/discovery_check.py [OUT.json] [--only WORD] [--repeats 3] [--keep FOLDER]

Every shape runs as a rehearsal (namespaces, links in user space, Cyclone DDS and Fast DDS), salted in
machines, participants on each, endpoints, names and delay.  The forecast is told when each program started,
how long after that it made its endpoints, and how much one computer can play; all else is its own.  Counted
are the datagrams that each machine's capture shows, in and out.  Cyclone DDS has no central server.  Writes
docs/discovery_check.json.  Runs whose captures are in FOLDER already are read from there.
"""

from __future__ import annotations

import argparse
import fcntl
import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np
from discovery_seen import Seen, read
from discovery_sites import Shape, site_of

from toprung.forecast.discovery import discovery_of
from toprung.forecast.exchange import WINDOW_S
from toprung.forecast.profile import profile_of
from toprung.forecast.reach import reach_of
from toprung.forecast.simulation import simulate
from toprung.model.site import Budget, Middleware, Site
from toprung.rehearse.plan import plan_of
from toprung.rehearse.run import Rehearsal

DOCS = Path(__file__).resolve().parents[2] / "docs"
COUNTS = (2, 4, 8, 16)
WAYS = (
    ("cyclone", "multicast"),
    ("cyclone", "peers"),
    ("fast", "multicast"),
    ("fast", "peers"),
    ("fast", "server"),
)
STEADY_S = {"cyclone": 8.0, "fast": 9.0}  # whole periods
# All machines of a rehearsal share this computer's two cores, and a switch in user space: in runs of 16 the
# densest tenth of a second had 12,000 to 27,000 datagrams.  The simulation is told so.
RIG_HZ = 20_000
QUIET = Path("/tmp/quiet.lock")


def run(shape: Shape, folder: Path | None = None) -> dict[str, Any]:
    """One row: what was forecast, what was seen."""
    site = site_of(shape)
    if folder is not None and (kept := sorted(folder.glob("*.pcapng"))):
        return compared(shape, site, read({path.stem: path for path in kept}, site))
    seconds = WINDOW_S + STEADY_S[shape.library] + 0.5
    with QUIET.open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        with Rehearsal(plan_of(site, seconds=seconds), folder, seed=shape.seed) as rehearsal:
            rehearsal.wait()
        seen = read(rehearsal.captures(), site)
    return compared(shape, site, seen)


def compared(shape: Shape, site: Site, seen: Seen) -> dict[str, Any]:
    """One row of the table."""
    late = late_of(shape, seen)
    reach = reach_of(site)
    forecast = discovery_of(site, reach, starts_s=seen.starts, late_s=late)
    machines = {}
    for one in forecast:
        if not any(p.machine == one.machine for p in site.participants):
            continue
        figures = one.figures.discovery
        counted = seen.counted(one.machine, 0.0, WINDOW_S)
        steady = seen.counted(one.machine, WINDOW_S, WINDOW_S + STEADY_S[shape.library])
        machines[one.machine] = {
            "forecast": [figures.datagrams_in, figures.datagrams_out, figures.bytes_in, figures.bytes_out],
            "seen": list(counted),
            "forecast_steady_in_per_s": figures.steady_datagrams_in_per_s,
            "seen_steady_in_per_s": round(steady[0] / STEADY_S[shape.library], 3),
        }
    both = np.array([[m["forecast"], m["seen"]] for m in machines.values()]).sum(0)
    row = {
        "name": shape.name,
        "library": shape.library,
        "mode": shape.mode,
        "participants": shape.participants,
        "machines": machines,
        "endpoints": sum(len(t.writers) + len(t.readers) for t in site.topics),
        "datagrams": _ratio(*both[:, :2].sum(1)),
        "bytes": _ratio(*both[:, 2:].sum(1)),
        "worst_machine": max(
            (_ratio(sum(m["forecast"][:2]), sum(m["seen"][:2])) for m in machines.values()),
            key=lambda ratio: abs(ratio - 1),
        ),
        "late_s": round(float(np.median(list(late.values()))), 4),
    }
    return row | times_of(site, seen, late)


def late_of(shape: Shape, seen: Seen) -> dict[str, float]:
    """How late these programs make their endpoints: the one of Fast DDS at once, the other as measured.

    What the first participant has is sent when the second one comes: it is taken to be as the others are.
    """
    if shape.library == "fast":
        return dict.fromkeys(seen.starts, 0.0)
    first = min(seen.starts, key=seen.starts.__getitem__)
    lates = {name: seen.late_s(name) for name in seen.starts if name != first}
    known = {name: late for name, late in lates.items() if late is not None}
    usual = float(np.median(list(known.values())))
    return {name: known.get(name, usual) for name in seen.starts}


def times_of(site: Site, seen: Seen, late: dict[str, float]) -> dict[str, Any]:
    """Medians over the flows between machines, from the start of the later of the two participants."""
    homes = {p.machine for p in site.participants}
    budget = Budget(messages_hz=RIG_HZ / len(homes))
    shared = replace(site, machines=tuple(replace(m, budget=budget) for m in site.machines))
    simulated = simulate(shared, reach_of(site), seeds=(1, 2, 3), starts_s=seen.starts, late_s=late)
    introduced = seen.introduced(site)
    expected, met = [], []
    for flow, at in introduced.items():
        later = max(seen.starts[flow.writer], seen.starts[flow.reader])
        p50 = simulated.flows.get(flow, (None, None))[0]
        if p50 is not None and np.isfinite(at):
            expected.append(p50 - later)
            met.append(at - later)
    if not met:
        return {"introduced": None, "forecast_s": None, "seen_s": None, "flows": len(introduced)}
    one, other = float(np.median(expected)), float(np.median(met))
    return {
        "introduced": _ratio(one, other),
        "forecast_s": round(one, 5),
        "seen_s": round(other, 5),
        "flows": len(introduced),
    }


def _ratio(forecast: float, seen: float) -> float:
    return round(float(forecast / seen), 4) if seen else float(not forecast)


def shapes(repeats: int) -> Iterator[Shape]:
    for seed in range(1, repeats + 1):
        for count in COUNTS:
            for library, mode in WAYS:
                yield Shape(library, mode, count, seed)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    words.add_argument("out", nargs="?", type=Path, default=DOCS / "discovery_check.json")
    words.add_argument("--only", default="", help="shapes whose name holds this")
    words.add_argument("--repeats", type=int, default=3)
    words.add_argument("--keep", type=Path, help="folder that the captures stay in")
    asked = words.parse_args()
    rows = []
    for shape in shapes(asked.repeats):
        if asked.only not in shape.name:
            continue
        row = run(shape, asked.keep and asked.keep / shape.name)
        rows.append(row)
        sys.stderr.write(
            f"{shape.name:28} datagrams {row['datagrams']:.3f}  bytes {row['bytes']:.3f}  worst machine "
            f"{row['worst_machine']:.3f}  time {row['introduced']} "
            f"({row['forecast_s']} / {row['seen_s']} s)\n"
        )
    found = {
        "measured": datetime.now(UTC).date().isoformat(),
        "libraries": [profile_of(m).library for m in (Middleware.CYCLONE, Middleware.FAST)],
        "window_s": WINDOW_S,
        "rows": rows,
    }
    asked.out.write_text(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()
