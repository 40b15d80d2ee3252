"""Live tests of rehearsals: why they may not run here."""

from __future__ import annotations

import sys

import pytest

from toprung.rehearse.machines import missing
from toprung.rehearse.peers import lacks


@pytest.fixture(scope="session")
def rehearsing():
    """Skips, loudly, where namespaces or libraries are missing."""
    why = missing({"nft": "nftables"}) or ", ".join(lacks(("cyclone", "fast"), servers=True))
    if why:
        sys.stderr.write(f"\nREHEARSALS ARE NOT TESTED: {why}\n")
        pytest.skip(f"REHEARSALS ARE NOT TESTED: {why}")
