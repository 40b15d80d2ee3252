"""Runs of the matrix kept as captures, from views that once misled: each must be right, or honestly unseen.

Made by matrix.py (Cyclone DDS 11.0.1, Fast DDS 2.9.1); the truth is the injected fault and the peers' counts.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from matrix_marks import RIGHT, UNSEEN, Truth, mark

from toprung.live.reading import CaptureWord, observe
from toprung.model.site_file import load_site

KEPT = Path(__file__).resolve().parents[1] / "data" / "views"
HONEST = {("delayed.cyclone", "reader"): UNSEEN}  # one clock cannot tell a delay from an offset


def views():
    for folder in sorted(KEPT.iterdir()):
        entry = json.loads((folder / "truth.json").read_text())
        for viewpoint, machines in entry["viewpoints"].items():
            yield pytest.param(folder, entry, viewpoint, machines, id=f"{folder.name}-{viewpoint}")


@pytest.mark.parametrize(("folder", "entry", "viewpoint", "machines"), list(views()))
def test_a_kept_view(folder, entry, viewpoint, machines):
    site = load_site((folder / "site.yaml").read_bytes(), "site.yaml")
    truth = Truth(**{k: v if isinstance(v, str) else tuple(v) for k, v in entry["truth"].items()})
    words = [CaptureWord(m, str(folder / f"{m}.pcapng.gz")) for m in machines]
    cell = mark(observe(site, words), truth)
    assert cell.mark == HONEST.get((folder.name, viewpoint), RIGHT), cell
    assert not cell.stops_wrongly
