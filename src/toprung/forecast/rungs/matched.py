"""Rung `matched`: do the declared QoS of the two sides suit each other?"""

from __future__ import annotations

from toprung.forecast.rungs.basis import Basis, Case
from toprung.model.verdict import Verdict


def judge_matched(basis: Basis, case: Case) -> Verdict:
    """The rules of captures, with each library's own defaults; names of topics and types are the site's."""
    return basis.matches[case.flow]
