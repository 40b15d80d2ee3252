"""The live tests' folder of built tools, and why they may not run here."""

from __future__ import annotations

import importlib.util
import shutil
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

from lab import build_fast_peer, missing


@pytest.fixture(scope="session")
def tools(tmp_path_factory):
    """A folder with the compiled peer; skips, loudly, where namespaces or libraries are missing."""
    why = missing()
    if not why and importlib.util.find_spec("cyclonedds") is None:
        why = "no Cyclone DDS for Python (pip install cyclonedds)"
    if not why and not (shutil.which("g++") and Path("/usr/include/fastrtps").is_dir()):
        why = "no compiler or no Fast DDS headers (apt install g++ libfastrtps-dev)"
    if why:
        sys.stderr.write(f"\nLIVE TESTS DO NOT RUN: {why}\n")
        pytest.skip(f"LIVE TESTS DO NOT RUN: {why}")
    folder = tmp_path_factory.mktemp("tools")
    build_fast_peer(folder)
    return folder
