"""The forecast's ladder against real traffic: the small sites of tests/forecast/test_rungs.py, rehearsed.

    python tests/live/ladder_check.py [OUT.json] [--only WORD] [--seconds 12]

A flow that is forecast to be stopped must bring no sample, one that is forecast whole must bring some, by
the peers' own counts.  Flows that are forecast to be hurt (late, lossy, a full link) work more or less: they
stand in the file with what the captures showed, and are not judged.  Sites that cannot be rehearsed (Cyclone
DDS with a central server) are named.  Writes docs/ladder_check.json.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.forecast.sites import changed
from tests.forecast.test_rungs import BROKEN, SOUND

from toprung.errors import ToolError
from toprung.forecast.forecast import forecast
from toprung.live.reading import observe
from toprung.model.finding import Severity
from toprung.model.site import Site
from toprung.model.site_file import load_site
from toprung.rehearse.plan import plan_of
from toprung.rehearse.result import counted
from toprung.rehearse.run import Rehearsal

DOCS = Path(__file__).resolve().parents[2] / "docs"


def run(name: str, site: Site, seconds: float) -> list[dict[str, Any]]:
    """One row for each flow."""
    made = forecast(site)
    with tempfile.TemporaryDirectory() as folder:
        with Rehearsal(plan_of(site, seconds=seconds), Path(folder) / "run") as rehearsal:
            rehearsal.wait()
        seen = observe(site, rehearsal.words())
        counts = counted(site, rehearsal.counts())
    planned = {c.flow: c for c in made.ladder.climbs}
    climbed = {c.flow: c for c in seen.ladder.climbs}
    rows = []
    for count in counts:
        climb = planned[count.flow]
        severity = made.findings[climb.findings[0]].severity if climb.findings else None
        stopped = None if severity is Severity.HURTS else severity is Severity.STOPS
        rows.append(
            {
                "site": name,
                "flow": str(count.flow),
                "forecast": climb.cause,
                "severity": severity,
                "seen": climbed[count.flow].cause,
                "sent": count.sent,
                "received": count.received,
                "agrees": None if stopped is None else stopped == (count.received == 0),
            }
        )
    return rows


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    words.add_argument("out", nargs="?", type=Path, default=DOCS / "ladder_check.json")
    words.add_argument("--only", default="", help="sites whose name holds this")
    words.add_argument("--seconds", type=float, default=12.0)
    asked = words.parse_args()
    edits = SOUND | {name: made for name, (made, _) in BROKEN.items()}
    rows: list[dict[str, Any]] = []
    refused = {}
    for name, made in edits.items():
        if asked.only not in name:
            continue
        site = load_site(changed(*made))
        try:
            rows += run(name, site, asked.seconds)
        except ToolError as error:
            refused[name] = error.what
            continue
        for row in rows[-len(site.flows()) :]:
            sys.stderr.write(
                f"{row['agrees']!s:6} {name}: {row['flow']}: {row['forecast']}, {row['received']}\n"
            )
    found = {
        "measured": datetime.now(UTC).date().isoformat(),
        "seconds": asked.seconds,
        "rows": rows,
        "refused": refused,
    }
    asked.out.write_text(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()
