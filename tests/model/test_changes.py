"""What differs between two ladders: one line a flow, on the rung that tells most."""

from __future__ import annotations

import pytest

from toprung.model.changes import FlowChange, flow_changes
from toprung.model.ladder import RUNGS, Climb, Flow, Ladder, Rung, State

ODOM, DRIVE = Flow("cart1/odom", "driver", "pilot"), Flow("cart1/drive", "pilot", "driver")
SIGNS = {"h": State.HELD, "b": State.BROKEN, "u": State.UNSEEN, ".": State.UNREACHED}


def climb(signs, cause=None, flow=ODOM):
    return Climb(flow, tuple(SIGNS[sign] for sign in signs), cause)


def ladder(*climbs):
    return Ladder(climbs)


@pytest.mark.parametrize(
    ("before", "after", "rung", "was", "now"),
    [
        ("hhhhhh", "hhhhb.", Rung.FLOWING, "h", "b"),
        ("hhhhhh", "hb....", Rung.HEARD, "h", "b"),
        ("hb....", "hhhhhh", Rung.TIMELY, ".", "h"),
        ("huuuuu", "hhhuuu", Rung.INTRODUCED, "u", "h"),
        ("huuuuu", "hhhbuu", Rung.MATCHED, "u", "b"),
        ("hhhhhh", "hhhhuu", Rung.FLOWING, "h", "u"),
        ("hb....", "hhhb..", Rung.MATCHED, ".", "b"),
    ],
)
def test_the_rung_that_tells_most(before, after, rung, was, now):
    cause = "some-cause" if "b" in after else None
    (change,) = flow_changes(ladder(climb(before)), ladder(climb(after, cause)))
    assert change == FlowChange(ODOM, rung, SIGNS[was], SIGNS[now], cause)


def test_another_cause_on_the_same_rung_is_a_change():
    (change,) = flow_changes(ladder(climb("hhhhb.", "loss")), ladder(climb("hhhhb.", "rate-low")))
    assert (change.rung, change.before, change.after) == (Rung.FLOWING, State.BROKEN, State.BROKEN)
    assert change.cause == "rate-low"


def test_nothing_changes():
    same = ladder(climb("hhhhb.", "loss"), climb("huuuuu", flow=DRIVE))
    assert list(flow_changes(same, same)) == []


def test_flows_that_come_and_go():
    came, went = flow_changes(ladder(climb("hhhuuu")), ladder(climb("hb....", "participant-lost", DRIVE)))
    assert came == FlowChange(DRIVE, Rung.HEARD, None, State.BROKEN, "participant-lost")
    assert went == FlowChange(ODOM, Rung.INTRODUCED, State.HELD, None)


def test_every_pair_of_states_gives_a_rung_of_the_ladder():
    kinds = ["".join(signs) for signs in ("uuuuuu", "huuuuu", "hhhhhh", "b.....", "hhhhb.", "hhhhuh")]
    for before in kinds:
        for after in kinds:
            found = list(flow_changes(ladder(climb(before)), ladder(climb(after))))
            assert len(found) == (before != after)
            assert all(change.rung in RUNGS for change in found)
