"""A capture must not claim what it cannot show: each is read alone, all with their packets cut short, and
healthy ones in short stretches.

The truth of each case is what its peers counted and what fault was injected (tests/scoring.py).
"""

import gzip
import struct
from pathlib import Path

import pytest

from tests.diagnose.judging import wrong_causes
from tests.scoring import read_truth
from tests.test_captures import BESIDE, OWN

CORPORA = [corpus for corpus in (OWN, BESIDE) if (corpus / "truth.json").exists()]
CASES = [pytest.param(corpus / e["id"], e, id=e["id"]) for corpus in CORPORA for e in read_truth(corpus)]
HEALTHY = [case for case in CASES if case.values[1]["cause"] is None]
STRETCHES = [(0, 0.9), (0, 1.5), (0, 4), (2, 5), (3, 99)]  # seconds after the first packet
HEADERS_ONLY = 128  # bytes a packet: enough for addresses and the first submessages, not for descriptions


@pytest.mark.parametrize(("folder", "entry"), CASES)
def test_one_capture_alone_names_no_wrong_cause(folder: Path, entry: dict):
    for capture in sorted(folder.glob("*.pcap*")):
        assert not wrong_causes(folder, entry, [capture]), capture.name


@pytest.mark.parametrize("stretch", STRETCHES, ids=lambda s: f"{s[0]}-{s[1]}s")
@pytest.mark.parametrize(("folder", "entry"), HEALTHY)
def test_a_stretch_of_a_healthy_capture_is_healthy(folder: Path, entry: dict, stretch, tmp_path: Path):
    begun = min(seconds for path in folder.glob("*.pcap*") for seconds, _ in packets(path))
    captures = [
        rewritten(path, tmp_path, [r for at, r in packets(path) if stretch[0] <= at - begun < stretch[1]])
        for path in sorted(folder.glob("*.pcap*"))
    ]
    assert not wrong_causes(folder, entry, [path for path in captures if path.stat().st_size > 24])


@pytest.mark.parametrize(("folder", "entry"), CASES)
def test_packets_cut_short_name_no_wrong_cause(folder: Path, entry: dict, tmp_path: Path):
    captures = [cut(capture, tmp_path) for capture in sorted(folder.glob("*.pcap*"))]
    assert not wrong_causes(folder, entry, captures)


def cut(capture: Path, folder: Path) -> Path:
    """The same capture with `HEADERS_ONLY` bytes a packet, as a small snap length leaves it."""
    short = []
    for _, record in packets(capture):
        seconds, part, there, sent = struct.unpack_from("<4I", record)
        kept = min(there, HEADERS_ONLY)
        short.append(struct.pack("<4I", seconds, part, kept, sent) + record[16 : 16 + kept])
    return rewritten(capture, folder, short)


def packets(capture: Path) -> list[tuple[float, bytes]]:
    """Each packet's time in seconds and its whole record (little-endian pcap with microseconds)."""
    data, at, found = gzip.decompress(capture.read_bytes()), 24, []
    while at < len(data):
        seconds, part, there, _ = struct.unpack_from("<4I", data, at)
        found.append((seconds + part / 1e6, data[at : at + 16 + there]))
        at += 16 + there
    return found


def rewritten(capture: Path, folder: Path, records: list[bytes]) -> Path:
    """A capture of the same kind and name with these records only."""
    path = folder / capture.name.removesuffix(".gz")
    path.write_bytes(gzip.decompress(capture.read_bytes())[:24] + b"".join(records))
    return path
