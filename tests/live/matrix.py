"""Injects every fault into real traffic and marks what the diagnosis says from each point of view.

    python tests/live/matrix.py run [--out /tmp/matrix] [--salts a,b,c] [--only ID,...] [--jobs 3] [--again]
    python tests/live/matrix.py mark [--out /tmp/matrix]        # read all captures anew
    python tests/live/matrix.py page [--out /tmp/matrix]        # write docs/diagnosis.md

Each run is a rehearsal of a nursery's cart with one fault, or none, on Cyclone DDS, on Fast DDS or on
both.  Its captures are read three times: the writer's machine, the reader's, and both.  Runs that are there
already are not made again.  Needs what `toprung rehearse` needs: root, namespaces, both libraries.
"""

from __future__ import annotations

import argparse
import json
import platform
import shutil
import subprocess
import sys
import time
import traceback
import zlib
from collections import Counter
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from matrix_cases import HEALTHY, ROWS, Healthy, Row
from matrix_marks import Truth, mark, nothing_read
from matrix_page import outcome, write_page
from matrix_runs import make_healthy, make_row
from matrix_sites import CROWD

from toprung.errors import CaptureError
from toprung.live.reading import CaptureWord, observe
from toprung.model.site import Site
from toprung.model.site_file import load_site
from toprung.rehearse.faults import parse_fault

Job = tuple[str, str, str]  # row, implementation, salt
BY_ID: dict[str, Row | Healthy] = {r.id: r for r in ROWS} | {f"h-{h.id}": h for h in HEALTHY}


def jobs_of(only: set[str], implementations: set[str], salts: list[str]) -> list[Job]:
    """Slow ones first: the end of the whole is then not one of them alone."""
    found = [
        (name, implementation, salt)
        for salt in salts
        for name, row in BY_ID.items()
        for implementation in row.implementations
        if (not only or name in only) and (not implementations or implementation in implementations)
    ]
    return sorted(found, key=lambda j: (salts.index(j[2]), -BY_ID[j[0]].seconds))


def crowded(job: Job) -> bool:
    """Whether a run has so many participants that others beside it would make it late."""
    return any(shape.more > CROWD for shape in BY_ID[job[0]].shapes)


def folder_of(out: Path, job: Job) -> Path:
    name, implementation, salt = job
    return out / salt / f"{name}.{implementation}"


def guarded(job: Job, out: Path) -> tuple[dict | None, str]:
    """One run and its marks; the trouble where it fails."""
    try:
        folder = folder_of(out, job)
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        name, implementation, salt = job
        row = BY_ID[name]
        # the two mixtures by turns
        turn = zlib.crc32(f"{name}{salt}".encode()) % 2
        library = "mixed2" if implementation == "mixed" and turn and not _fixed(row) else implementation
        make = make_row if isinstance(row, Row) else make_healthy
        begun = time.monotonic()
        truth = make(row, library, salt, folder)
        lasting = round(time.monotonic() - begun, 1)
        entry = {"id": name, "implementation": implementation, "salt": salt, "seconds": lasting, **truth}
        (folder / "truth.json").write_text(json.dumps(entry, indent=1) + "\n")
        return marked(folder), ""
    except Exception:
        return None, traceback.format_exc()


def _fixed(row: Row | Healthy) -> bool:
    """Whether a row needs the libraries where the first mixture has them."""
    return row.id in ("cloned-identity", "destination-order")


def marked(folder: Path) -> dict:
    """A run's entry with its cells, from its captures."""
    entry = json.loads((folder / "truth.json").read_text())
    site = load_site((folder / "site.yaml").read_bytes(), str(folder / "site.yaml"))
    truth = Truth(**{k: v if isinstance(v, str) else tuple(v) for k, v in entry["truth"].items()})
    near = machines_of(entry["words"], site) if entry["kind"] != "healthy" else []
    cells = {}
    for viewpoint, machines in entry["viewpoints"].items():
        words = [CaptureWord(m, str(next(folder.glob(f"{m}.pcap*")))) for m in machines]
        try:
            cells[viewpoint] = asdict(mark(observe(site, words), truth))
        except CaptureError:
            cells[viewpoint] = asdict(nothing_read())
    return {**entry, "near": near, "cells": cells}


def machines_of(words: str, site: Site) -> list[str]:
    """The machines that a fault happens to; none where it is a topic's."""
    fault = parse_fault(words, site)
    named = {p.name: p.machine for p in site.participants} | {m.name: m.name for m in site.machines}
    subject = fault.subject.rpartition("/")[2]
    return [named[subject]] if subject in named else []


def run(jobs: list[Job], out: Path, side_by_side: int) -> None:
    done = read_results(out)
    with ProcessPoolExecutor(side_by_side) as pool:
        waiting = {pool.submit(guarded, job, out): job for job in jobs}
        for ended in as_completed(waiting):
            job, (entry, trouble) = waiting[ended], ended.result()
            if entry is None:
                sys.stdout.write(f"{'.'.join(job)}: FAILED\n{trouble}\n")
            else:
                done[job] = entry
                write_results(out, done)
                sys.stdout.write(line_of(entry))
            sys.stdout.flush()


def mark_all(out: Path, jobs: list[Job], side_by_side: int) -> None:
    """Read the captures of all runs anew."""
    done = read_results(out)
    there = [job for job in jobs if (folder_of(out, job) / "truth.json").exists()]
    with ProcessPoolExecutor(side_by_side) as pool:
        for job, entry in zip(there, pool.map(marked, [folder_of(out, j) for j in there]), strict=True):
            before = done.get(job)
            done[job] = entry
            if before is None or before["cells"] != entry["cells"]:
                sys.stdout.write(line_of(entry))
    write_results(out, done)


def line_of(entry: dict) -> str:
    cells = entry["cells"]
    healthy = entry["kind"] == "healthy"
    said = "  ".join(
        f"{v}: {c['mark'] if healthy else outcome(entry, v)} {'/'.join(c['said'])}" for v, c in cells.items()
    )
    name = f"{entry['id']}.{entry['implementation']}.{entry['salt']}"
    odd = sorted({f"    {v}: {o[:150]}" for v, c in cells.items() for o in c["odd"]})
    stops = [
        f"    {v}: STOPS wrongly {', '.join(c['stops_wrongly'])}"
        for v, c in cells.items()
        if c["stops_wrongly"]
    ]
    doubts = [f"    doubt: {d}" for d in entry["doubts"]]
    return (
        "\n".join(
            [
                f"{name:<36} {'/'.join(entry['truth']['causes']) or 'healthy':<34} {said}",
                *odd,
                *stops,
                *doubts,
            ]
        )
        + "\n"
    )


def read_results(out: Path) -> dict[Job, dict]:
    path = out / "results.json"
    entries = json.loads(path.read_text()) if path.exists() else []
    return {(e["id"], e["implementation"], e["salt"]): e for e in entries}


def write_results(out: Path, done: dict[Job, dict]) -> None:
    part = out / "results.part"
    part.write_text(json.dumps([done[j] for j in sorted(done)], indent=1) + "\n")
    part.replace(out / "results.json")


def versions() -> str:
    """What the runs were made with, in words."""
    fast = subprocess.run(
        ["dpkg-query", "-W", "-f", "${Version}", "libfastrtps-dev"],
        capture_output=True,
        text=True,
        check=False,
    ).stdout.partition("+")[0]
    return (
        f"Cyclone DDS {metadata.version('cyclonedds')} (PyPI), Fast DDS {fast or '?'} (Debian), Linux "
        f"{platform.release()}, Python {platform.python_version()}."
    )


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("do", choices=("run", "mark", "page"))
    words.add_argument("--out", type=Path, default=Path("/tmp/matrix"))
    words.add_argument("--salts", default="a,b,c", help="any words: other addresses, rates and sizes")
    words.add_argument("--only", default="", help="ids, with commas between")
    words.add_argument("--implementations", default="")
    words.add_argument("--jobs", type=int, default=3)
    words.add_argument("--again", action="store_true", help="also runs that are there already")
    said = words.parse_args()
    said.out.mkdir(parents=True, exist_ok=True)
    jobs = jobs_of(
        set(filter(None, said.only.split(","))),
        set(filter(None, said.implementations.split(","))),
        said.salts.split(","),
    )
    if said.do == "page":
        target = Path(__file__).resolve().parents[2] / "docs" / "diagnosis.md"
        write_page(
            list(read_results(said.out).values()), target, versions(), datetime.now(UTC).date().isoformat()
        )
        return 0
    if said.do == "mark":
        mark_all(said.out, jobs, said.jobs)
    else:
        there = {} if said.again else read_results(said.out)
        wanted = [j for j in jobs if j not in there]
        run([j for j in wanted if not crowded(j)], said.out, min(3, said.jobs))
        run([j for j in wanted if crowded(j)], said.out, 1)
    entries = [e for j, e in read_results(said.out).items() if j in set(jobs)]
    marks = Counter(
        c["mark"] if e["kind"] == "healthy" else outcome(e, v) for e in entries for v, c in e["cells"].items()
    )
    sys.stdout.write(f"{len(entries)} runs; cells: {dict(marks)}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
