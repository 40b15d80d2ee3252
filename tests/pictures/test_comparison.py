"""Figures side by side: only what was counted alike is compared."""

from __future__ import annotations

import pytest

from toprung.model.figures import Discovery, Figures, LinkFigures, MachineFigures
from toprung.pictures.comparison import changes, compare


def figures(window_s: float, datagrams: float, introduced_s: float = 0.5) -> Figures:
    discovery = Discovery(window_s, datagrams, 10, 5000, 900, None, None, datagrams / 2)
    machine = MachineFigures(3, 12, discovery, introduced_s, introduced_s)
    return Figures(
        machines={"base": machine}, links={"air": LinkFigures(loss=0.01)}, flows={}, loops={}, power={}
    )


def names(rows) -> set[str]:
    return {row.quantity.name for row in rows}


@pytest.mark.parametrize(("window_s", "alike"), [(15.0, True), (14.0, True), (8.0, False)])
def test_counts_are_compared_over_the_same_stretch_of_time(window_s, alike):
    found = names(compare(figures(15.0, 34), figures(window_s, 30)))
    assert ("discovery datagrams in, from power-on" in found) is alike
    assert "datagrams in the fullest second" in found
    assert "loss" in found


def test_what_means_something_else_to_each_is_not_compared():
    assert "introduced after (median)" not in names(compare(figures(15.0, 34), figures(15.0, 34)))


def test_a_ratio_is_the_other_by_the_one():
    row = next(r for r in compare(figures(15.0, 40), figures(15.0, 30)) if "power-on" in r.quantity.name)
    assert row.ratio == 0.75


def test_changes_are_what_is_said_otherwise():
    assert names(changes(figures(15.0, 34, 0.5), figures(15.0, 34, 0.7))) == {
        "introduced after (median)",
        "introduced after (95 %)",
    }
