"""One point of view must not claim what it cannot show: every capture of a case is read alone.

The truth of each case is what its peers counted and what fault was injected (tests/scoring.py).
"""

import json
from pathlib import Path

import pytest

from tests.scoring import read_truth
from tests.test_captures import BESIDE, OWN
from toprung.cli.inputs import CaptureWord
from toprung.cli.reading import observe
from toprung.model.site_file import load_site


def alone() -> list:
    """Each capture of each case."""
    return [
        pytest.param(corpus, entry, capture, id=f"{entry['id']}-{capture.name.split('.')[0]}")
        for corpus in (OWN, BESIDE)
        if (corpus / "truth.json").exists()
        for entry in read_truth(corpus)
        for capture in sorted((corpus / entry["id"]).glob("*.pcap*"))
    ]


@pytest.mark.parametrize(("corpus", "entry", "capture"), alone())
def test_one_capture_alone_names_no_wrong_cause(corpus: Path, entry: dict, capture: Path):
    site = load_site((corpus / entry["id"] / "site.yaml").read_bytes(), "site.yaml")
    seen = observe(site, [CaptureWord(capture.name.split(".")[0], str(capture))])
    named = {str(c.flow): c.cause for c in seen.ladder.climbs if c.cause is not None}
    wrong = {
        flow: cause
        for flow, cause in named.items()
        if flow in entry["sound"] or (flow in entry["broken"] and cause not in entry["cause"])
    }
    assert not wrong, json.dumps(wrong)
