"""Damaged packets of the shared captures: read alike by both kernels, and nothing raises.

`benchmarks/fuzz.py` runs ten times as many, with limits on memory and time.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.wire.rows import read, uncompiled
from toprung.wire.kernels import compiled
from toprung.wire.scan import Scan

ROOT = Path(__file__).parents[2]
PATHS = sorted((ROOT.parent / "shared" / "captures").glob("*/*.pcap.gz"))
sys.path.insert(0, str(ROOT / "benchmarks"))
import fuzz  # noqa: E402
import mutations  # noqa: E402

pytestmark = pytest.mark.skipif(not PATHS, reason="the shared captures are not here")


def test_damaged_packets() -> None:
    packets = submessages = announcements = 0
    for octets in mutations.captures(PATHS, 20_000, seed=7):
        found = fuzz.through(octets)
        packets += found[0]
        submessages += found[1]
        announcements += found[2]
    assert packets == 20_000
    assert submessages > 10_000
    assert announcements > 500


def test_damaged_packets_are_read_alike_uncompiled() -> None:
    for octets in mutations.captures(PATHS, 6_000, seed=8):
        assert read(octets) == read(octets, uncompiled())


def test_every_shared_capture_is_read_alike_uncompiled() -> None:
    if not compiled():
        pytest.skip("there are no compiled kernels here")
    import gzip

    for path in PATHS:
        octets = gzip.decompress(path.read_bytes())
        assert read(octets) == read(octets, uncompiled()), path


def test_damaged_containers_end_in_words() -> None:
    """Damage anywhere in a capture, headers included: rows, or one CaptureError."""
    import gzip
    import random

    from toprung.errors import CaptureError

    rng = random.Random(9)
    octets = gzip.decompress(PATHS[2].read_bytes())[:60_000]
    refused = 0
    for _ in range(400):
        damaged = bytearray(octets)
        for _ in range(rng.randint(1, 20)):
            damaged[rng.randrange(len(damaged))] = rng.randrange(256)
        try:
            for _ in Scan(bytes(damaged)).blocks():
                pass
        except CaptureError:
            refused += 1
    assert 0 < refused < 400
