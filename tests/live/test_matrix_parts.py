"""The matrix's own parts: its sites are sites, its rows are faults, its marks are fair.  No traffic."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from matrix_cases import HEALTHY, ROWS, UNSEEN
from matrix_marks import RIGHT, WRONG, Truth, mark, settled
from matrix_marks import UNSEEN as NOT_TOLD
from matrix_page import outcome
from matrix_sites import make_site

from toprung.model.finding import Severity
from toprung.model.ladder import Climb, Flow, Ladder, State
from toprung.model.site_file import load_site
from toprung.rehearse.faults import parse_fault
from toprung.rehearse.kinds import KINDS
from toprung.rehearse.plan import plan_of

HELD, BROKEN, UNTOLD, BEYOND = State.HELD, State.BROKEN, State.UNSEEN, State.UNREACHED
FLOW, OTHER = Flow("odom", "driver", "pilot"), Flow("scan", "pilot", "panel")


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r.id)
def test_every_row_is_a_fault_of_every_site_it_is_made_on(row):
    for implementation in row.implementations:
        for n, shape in enumerate(row.shapes):
            for words in row.words:
                made = make_site(shape, implementation, f"{n}")
                site = load_site(made.text)
                fault = parse_fault(words.format(**made.names), site)
                fault.apply(plan_of(site, seconds=9.0))
                assert fault.expects().broken
                assert not row.only or set(row.only) <= set(fault.expects().causes)


def test_every_kind_of_fault_has_a_row():
    assert {row.kind for row in ROWS} == set(KINDS)


@pytest.mark.parametrize("case", HEALTHY, ids=lambda h: h.id)
def test_every_healthy_site_can_be_planned(case):
    for implementation in case.implementations:
        for shape in case.shapes:
            site = load_site(make_site(shape, implementation, "a").text)
            plan = plan_of(site, seconds=9.0)
            assert len(plan.peers) == (2 if shape.small else 4) + shape.more


def test_salt_changes_a_site_and_nothing_else_does():
    shape = ROWS[0].shapes[0]
    assert make_site(shape, "fast", "a") == make_site(shape, "fast", "a")
    assert make_site(shape, "fast", "a").text != make_site(shape, "fast", "b").text


def test_reasons_are_for_rows():
    assert {row for row, _ in UNSEEN} <= {row.id for row in ROWS}
    assert {place for _, place in UNSEEN} <= {"near", "far", "writer", "reader", "one"}


def observed(states, cause=None, other=(HELD,) * 6, findings=()):
    climbs = (Climb(FLOW, states, cause), Climb(OTHER, other, "loss" if BROKEN in other else None))
    return SimpleNamespace(ladder=Ladder(climbs), findings=findings)


def found(code, severity=Severity.STOPS):
    return SimpleNamespace(code=code, severity=severity, says="")


LATE = (HELD,) * 5 + (BROKEN,)
TRUTH = Truth(("late",), (str(FLOW),), (str(OTHER),), str(FLOW))


@pytest.mark.parametrize(
    ("reading", "expected"),
    [
        (observed(LATE, "late"), RIGHT),
        (observed(LATE, "jitter"), WRONG),
        (observed((HELD,) * 5 + (UNTOLD,)), NOT_TOLD),
        (observed((HELD,) * 6), WRONG),
        (observed(LATE, "late", other=(HELD,) * 4 + (BROKEN, BEYOND)), WRONG),
    ],
)
def test_marks(reading, expected):
    assert mark(reading, TRUTH).mark == expected


def test_a_healthy_run_has_no_finding_but_notes():
    truth = Truth((), (), (str(FLOW), str(OTHER)), "")
    assert mark(observed((HELD,) * 6, findings=(found("late", Severity.NOTE),)), truth).mark == RIGHT
    assert mark(observed((HELD,) * 6, findings=(found("late", Severity.HURTS),)), truth).mark == WRONG


def test_a_wrong_cause_that_stops_is_told_apart():
    cell = mark(observed(LATE, "late", findings=(found("no-route"), found("late"))), TRUTH)
    assert cell.stops_wrongly == ("no-route",)


def test_counts_correct_the_truth():
    names = [str(FLOW), str(OTHER)]
    counts = {names[0]: {"sent": 90, "received": 90}, names[1]: {"sent": 90, "received": 0}}
    blocked = settled(("no-route",), names, [], names, counts, blocks=True)
    assert (blocked.broken, blocked.sound, blocked.primary) == ((names[1],), (names[0],), names[1])
    moving = settled(("late",), names[:1], [], names, counts, blocks=False)
    assert (moving.broken, moving.sound) == ((names[0],), ())
    harmless = settled(("no-route",), names[:1], [], names, counts, blocks=True)
    assert (harmless.causes, harmless.broken) == ((), ())


def test_unseen_counts_only_with_a_reason():
    entry = {
        "id": "never-started",
        "cells": {v: {"mark": NOT_TOLD} for v in ("writer", "reader", "both")},
        "viewpoints": {"writer": ["base"], "reader": ["desk"], "both": ["base", "desk"]},
        "near": ["base"],
    }
    assert outcome(entry, "reader") == NOT_TOLD
    assert outcome(entry, "writer") == "missed"
    assert outcome(entry, "both") == "missed"
