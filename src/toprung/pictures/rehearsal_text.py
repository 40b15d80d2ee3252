"""A rehearsal as text: what was captured, what the peers counted, what was forecast, faults named; and the
short ladder that is drawn while it runs.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from toprung.diagnose.observed import Observed
from toprung.model.ladder import Climb, State
from toprung.pictures.amounts import share
from toprung.pictures.comparison_text import against_text
from toprung.pictures.envelope import envelope
from toprung.pictures.ladder_text import ladder_text
from toprung.pictures.summary import verdict
from toprung.pictures.text import Style, finished, ladder, table, titled
from toprung.pictures.told import told_of
from toprung.rehearse.result import Carried, Counted, Judged, Rehearsed, Verdict

MOST_FLOWS = 400
_LINKS = ("What the links did with frames", "arrived", "lost", "no room", "dropped", "air taken")
_WORDS = {
    Verdict.NAMED: "named",
    Verdict.UNSEEN: "not to be seen in these captures",
    Verdict.OTHERWISE: "taken for something else",
}


def rehearsal_text(rehearsed: Rehearsed, style: Style | None = None) -> str:
    """The whole outcome; ends with a newline."""
    style = style or Style()
    blocks = (
        table(("What the peers counted", "sent", "received"), list(_counts(rehearsed.counted)), MOST_FLOWS),
        table(_LINKS, list(_frames(rehearsed.carried)), MOST_FLOWS),
        titled("Faults", map(_fault, rehearsed.judged)),
    )
    parts = (
        ladder_text(rehearsed.observed, style),
        finished(blocks, style),
        against_text(told_of(rehearsed.forecast), told_of(rehearsed.observed), style),
    )
    return "\n".join(parts)


def rehearsal_json(rehearsed: Rehearsed) -> dict[str, Any]:
    """The observation's JSON, and beside it what only a rehearsal knows."""
    return envelope(rehearsed.observed) | {
        "counted": [
            {"topic": c.flow.topic, "from": c.flow.writer, "to": c.flow.reader}
            | {"sent": c.sent, "received": c.received}
            for c in rehearsed.counted
        ],
        "carried": {
            c.link: {key: getattr(c, key) for key in ("arrived", "lost", "full", "ruled", "busy")}
            for c in rehearsed.carried
        },
        "faults": [
            {"fault": j.words, "verdict": str(j.verdict), "right": list(j.causes), "found": list(j.found)}
            for j in rehearsed.judged
        ],
        "forecast": envelope(rehearsed.forecast),
    }


def running_text(observed: Observed, style: Style, rows: int) -> str:
    """A short ladder for a screen of so many rows: broken and unfinished flows first, then the others."""
    climbs = list(observed.ladder.climbs)
    shown = sorted(climbs, key=_interest)[: max(1, rows - 3)] if len(climbs) > rows - 3 else climbs
    return finished((ladder(shown, style), [verdict(observed)]), style)


def _interest(climb: Climb) -> int:
    return 0 if climb.broken_at else 1 if State.UNSEEN in climb.states else 2


def _counts(counted: tuple[Counted, ...]) -> Iterator[tuple[str, str, str]]:
    for c in counted:
        yield str(c.flow), f"{c.sent:,}", f"{c.received:,}"


def _frames(carried: tuple[Carried, ...]) -> Iterator[tuple[str, ...]]:
    for c in carried:
        kinds = (f"{n:,}" if n else "" for n in (c.lost, c.full, c.ruled))
        yield c.link, f"{c.arrived:,}", *kinds, "" if c.busy is None else share(c.busy)


def _fault(judged: Judged) -> str:
    found = f" ({', '.join(judged.found)})" if judged.found else ""
    return f"{judged.words}: {_WORDS[judged.verdict]}{found}"
