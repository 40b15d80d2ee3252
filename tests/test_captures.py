"""Captures of real Cyclone DDS and Fast DDS traffic with known faults: every case must be diagnosed right.

Truth is what the peers themselves counted and the fault that was injected.  `tests/data/corpus` was made by
tests/live/corpus.py (Cyclone DDS 11.0.1, Fast DDS 2.9.1); the second folder lies beside the repository.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.scoring import read_truth, score, table

OWN = Path(__file__).parent / "data" / "corpus"
BESIDE = Path(__file__).resolve().parents[2] / "shared" / "captures"


def _cases(corpus: Path):
    return (
        [pytest.param(e, id=e["id"]) for e in read_truth(corpus)] if (corpus / "truth.json").exists() else []
    )


@pytest.mark.parametrize("entry", _cases(OWN))
def test_own_capture(entry):
    found = score(OWN, entry)
    assert found.right, "\n" + table([found], everything=True)


def test_captures_beside_the_repository_are_there():
    if not (BESIDE / "truth.json").exists():
        pytest.skip(f"NOT CHECKED: the captures with known truth are not at {BESIDE}")
    assert len(read_truth(BESIDE)) >= 20


@pytest.mark.parametrize("entry", _cases(BESIDE))
def test_capture_beside_the_repository(entry):
    found = score(BESIDE, entry)
    assert found.right, "\n" + table([found], everything=True)
