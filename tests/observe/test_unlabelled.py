"""Whose capture is whose, where nobody says."""

from pathlib import Path

import pytest

from tests.scoring import read_truth
from tests.test_captures import BESIDE, OWN
from toprung.live.reading import CaptureWord, picture_of
from toprung.model.site_file import load_site
from toprung.observe import recognise

CORPORA = [corpus for corpus in (OWN, BESIDE) if (corpus / "truth.json").exists()]
CASES = [pytest.param(corpus / e["id"], id=e["id"]) for corpus in CORPORA for e in read_truth(corpus)]


@pytest.mark.parametrize("folder", CASES)
def test_no_capture_is_given_to_another_machine(folder: Path):
    site = load_site((folder / "site.yaml").read_bytes(), "site.yaml")
    captures = sorted(folder.glob("*.pcap*"))
    picture = picture_of([CaptureWord(None, str(path)) for path in captures], site)
    cast = recognise(site, picture)
    given = [cast.view_machine(view) for view in range(len(captures))]
    taken_on = [path.name.split(".")[0] for path in captures]
    assert [m or t for m, t in zip(given, taken_on, strict=True)] == taken_on
