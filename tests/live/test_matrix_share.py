"""A share of the matrix as live tests: one fault of every kind of evidence, on both libraries, read anew.

The whole is made by matrix.py; docs/diagnosis.md has its figures.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

import pytest
from matrix import guarded
from matrix_marks import RIGHT
from matrix_page import UNDECLARED, outcome

from toprung.rehearse.machines import missing
from toprung.rehearse.peers import lacks

SHARE = (
    ("foreign-subnet", "fast"),
    ("multicast-dropped", "mixed"),
    ("one-way-to", "cyclone"),
    ("ports-closed", "fast"),
    ("fragments-dropped", "fast"),
    ("wrong-domain", "cyclone"),
    ("loopback-only", "fast"),
    ("peer-missing", "cyclone"),
    ("server-port", "fast"),
    ("left", "mixed"),
    ("unreachable-address", "cyclone"),
    ("memory-split", "fast"),
    ("endpoint-left-out", "mixed"),
    ("deadline", "fast"),
    ("partition", "cyclone"),
    ("topic-renamed", "mixed"),
    ("silent-writer", "fast"),
    ("random-loss", "cyclone"),
    ("second-commander", "mixed"),
    ("delayed", "fast"),
    ("clock-ahead", "cyclone"),
)
SOUND = (("h-cart", "mixed"), ("h-lists", "cyclone"), ("h-server", "fast"), ("h-one-way-multicast", "fast"))
SIDE_BY_SIDE = 3


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """Every run of the share, by (row, implementation), with its cells; skips, loudly, where none can be."""
    why = missing({"nft": "nftables"}) or ", ".join(lacks({"cyclone", "fast"}, servers=True))
    if why:
        sys.stderr.write(f"\nLIVE TESTS DO NOT RUN: {why}\n")
        pytest.skip(f"LIVE TESTS DO NOT RUN: {why}")
    out = tmp_path_factory.mktemp("matrix")
    jobs = [(row, implementation, "ci") for row, implementation in (*SHARE, *SOUND)]
    with ProcessPoolExecutor(SIDE_BY_SIDE) as pool:
        return dict(zip((job[:2] for job in jobs), pool.map(guarded, jobs, [out] * len(jobs)), strict=True))


@pytest.mark.parametrize("run", SHARE, ids=".".join)
def test_a_fault_is_named_from_every_view_that_can_tell(run, runs):
    entry, trouble = runs[run]
    assert entry is not None, trouble
    said = {viewpoint: outcome(entry, viewpoint) for viewpoint in entry["cells"]}
    assert entry["truth"]["causes"], entry["doubts"]
    assert said["both"] == RIGHT, entry["cells"]
    assert not {UNDECLARED, "wrong"} & set(said.values()), entry["cells"]
    assert not any(cell["stops_wrongly"] for cell in entry["cells"].values()), entry["cells"]


@pytest.mark.parametrize("run", SOUND, ids=".".join)
def test_nothing_is_found_where_nothing_is_wrong(run, runs):
    entry, trouble = runs[run]
    assert entry is not None, trouble
    assert not entry["doubts"]
    assert {cell["mark"] for cell in entry["cells"].values()} == {RIGHT}, entry["cells"]
