"""Real Cyclone DDS and Fast DDS peers in network namespaces, captured, read and diagnosed.

The truth is what the peers themselves count and report.
"""

from __future__ import annotations

import pytest
from cases import CASES
from plan import cart, flow_counts, perform, site_file
from tests.scoring import score, table

BY_ID = {c.id: c for c in CASES}


def run(case_id, folder, tools, seconds):
    """One case of the corpus, made afresh: its entry of the truth and its score."""
    case = BY_ID[case_id]
    plan = cart(case.middleware, len(case_id) * 7, case.usb)
    for edit in case.edits:
        edit(plan)
    plan.seconds = seconds
    there = folder / case_id
    there.mkdir()
    samples, policies = flow_counts(plan, perform(plan, there, tools))
    (there / "site.yaml").write_text(site_file(plan))
    broken = [f for f in samples if f.split(" ")[0].rsplit("/", 1)[-1] in case.broken]
    entry = {
        "id": case_id,
        "rung": list(case.rung),
        "cause": list(case.cause) or None,
        "broken": broken,
        "sound": [f for f in samples if f not in broken],
        "samples": samples,
    }
    return entry, policies, score(folder, entry)


@pytest.mark.parametrize("case_id", ["h_cyc_cart", "h_fast_wifi"])
def test_a_healthy_cart_has_no_finding(case_id, tmp_path, tools):
    entry, policies, found = run(case_id, tmp_path, tools, 8.0)
    assert policies == {}
    for flow, n in entry["samples"].items():
        assert n["received"] >= 0.8 * n["sent"] - 2, flow
        assert n["received"] > 0, flow
    assert found.right, "\n" + table([found], everything=True)


@pytest.mark.parametrize(
    "case_id", ["m_cyc_reliability", "m_fast_reliability", "p_cyc_mcblocked", "p_fast_mcblocked"]
)
def test_a_fault_is_named(case_id, tmp_path, tools):
    entry, policies, found = run(case_id, tmp_path, tools, 8.0)
    for flow in entry["broken"]:
        assert entry["samples"][flow]["received"] == 0, flow
    if case_id.startswith("m_"):
        assert policies == {flow: [11] for flow in entry["broken"]}  # DDS 1.4: RELIABILITY_QOS_POLICY_ID
    assert found.right, "\n" + table([found], everything=True)
