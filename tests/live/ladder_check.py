"""The forecast's ladder against real traffic: the small sites of tests/forecast/test_rungs.py, rehearsed.

    python tests/live/ladder_check.py [OUT.json] [--only WORD] [--seconds 12]

A flow that is forecast to be stopped must bring no sample, one that is forecast whole must bring some, by
the peers' own counts.  What is forecast to work badly (late, lossy, a full link, two that command), or to
break what a rehearsal does not have (a small controller's memory, wheels), stands in the file and is not
judged.  Sites that cannot be rehearsed are named.  Writes docs/ladder_check.json.
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
from toprung.model.site import Site
from toprung.model.site_file import load_site
from toprung.rehearse.plan import plan_of
from toprung.rehearse.result import counted
from toprung.rehearse.run import Rehearsal

UNJUDGED = frozenset({"discovery-overload", "rival-writers", "loss", "link-full", "late", "loop-too-slow"})
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
        agrees = None if climb.cause in UNJUDGED else (climb.cause is None) == (count.received > 0)
        rows.append(
            {
                "site": name,
                "flow": str(count.flow),
                "forecast": climb.cause,
                "seen": climbed[count.flow].cause,
                "sent": count.sent,
                "received": count.received,
                "agrees": agrees,
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
