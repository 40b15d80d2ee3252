"""Scores the diagnosis against captures whose truth is known.

    python -m tests.scoring /tmp/corpus [--only ID,ID...] [--all]

A corpus is a folder with truth.json and one folder a case: site.yaml and a capture of each machine, named
MACHINE.pcap.gz.  Prints a line a case, and below it every flow that is not right.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from toprung.live.reading import CaptureWord, observe
from toprung.model.finding import Severity
from toprung.model.ladder import State
from toprung.model.site_file import load_site

RIGHT, WRONG, UNSEEN, SPARED = "right", "wrong", "unseen", "-"


@dataclass(frozen=True)
class Mark:
    """What was said of one flow, beside the truth."""

    flow: str
    truth: str  # broken, sound, or "-" where the truth does not judge it
    said: str
    mark: str


@dataclass(frozen=True)
class Score:
    """One case."""

    id: str
    marks: tuple[Mark, ...]
    faults: tuple[str, ...]  # findings, notes apart
    expected: str
    healthy: bool
    seconds: float

    @property
    def right(self) -> bool:
        flows = all(m.mark in (RIGHT, SPARED) for m in self.marks)
        return flows and not (self.healthy and self.faults)


def read_truth(corpus: Path) -> list[dict]:
    return json.loads((corpus / "truth.json").read_text())


def score(corpus: Path, entry: dict) -> Score:
    """Read one case as a user would, with all its captures, and mark every declared flow."""
    begun = time.monotonic()
    folder = corpus / entry["id"]
    site = load_site((folder / "site.yaml").read_bytes(), str(folder / "site.yaml"))
    captures = sorted(folder.glob("*.pcap*"))
    diagnosis = observe(site, [CaptureWord(path.name.split(".")[0], path) for path in captures])
    climbs = {str(c.flow): c for c in diagnosis.ladder.climbs}
    faults = tuple(f"{f.code}: {f.says}" for f in diagnosis.findings if f.severity is not Severity.NOTE)
    marks = tuple(_mark(flow, climbs.get(flow), entry) for flow in entry["samples"])
    wanted = f"{'/'.join(entry['rung'] or ['-'])} {'/'.join(entry['cause'] or ['healthy'])}"
    return Score(entry["id"], marks, faults, wanted, entry["cause"] is None, time.monotonic() - begun)


def _mark(flow, climb, entry) -> Mark:
    truth = "broken" if flow in entry["broken"] else "sound" if flow in entry["sound"] else "-"
    if climb is None:
        return Mark(flow, truth, "no such flow", WRONG)
    said = f"{climb.broken_at.value} {climb.cause}" if climb.broken_at else _states(climb)
    if truth == "-":
        return Mark(flow, truth, said, SPARED)
    if truth == "sound":
        return Mark(flow, truth, said, WRONG if climb.broken_at else RIGHT)
    if climb.broken_at is None:
        return Mark(flow, truth, said, UNSEEN if State.UNSEEN in climb.states else WRONG)
    hit = climb.broken_at.value in entry["rung"] and climb.cause in entry["cause"]
    return Mark(flow, truth, said, RIGHT if hit else WRONG)


def _states(climb) -> str:
    return "".join(s.value[0] if s is not State.UNREACHED else "." for s in climb.states)


def table(scores: list[Score], everything: bool = False) -> str:
    """The scores as text: a line a case, flows that are not right below it."""
    lines = []
    for s in scores:
        lines.append(f"{'ok ' if s.right else 'BAD'} {s.id:<22} {s.expected:<44} {s.seconds:5.2f} s")
        if not s.right or everything:
            lines += [
                f"      {m.mark:<7} {m.truth:<7} {m.flow:<44} {m.said}"
                for m in s.marks
                if everything or m.mark not in (RIGHT, SPARED)
            ]
            lines += [f"      finding {f[:150]}" for f in s.faults]
    marks = [m.mark for s in scores for m in s.marks]
    counted = ", ".join(f"{marks.count(k)} {k}" for k in (RIGHT, WRONG, UNSEEN))
    lines.append(f"{sum(s.right for s in scores)} of {len(scores)} cases right; flows: {counted}")
    return "\n".join(lines)


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("corpus", type=Path)
    parser.add_argument("--only", default="")
    parser.add_argument("--all", action="store_true", help="every flow of every case")
    said = parser.parse_args(words)
    scores = []
    for entry in read_truth(said.corpus):
        if said.only and entry["id"] not in said.only.split(","):
            continue
        try:
            scores.append(score(said.corpus, entry))
        except Exception as error:
            if said.only:
                raise
            sys.stdout.write(f"BAD {entry['id']:<22} {type(error).__name__}: {error}\n")
    sys.stdout.write(table(scores, said.all) + "\n")
    return 0 if all(s.right for s in scores) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
