"""A capture must not claim what it cannot show: each is read alone, and all with their packets cut short.

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
HEADERS_ONLY = 128  # bytes a packet: enough for addresses and the first submessages, not for descriptions


@pytest.mark.parametrize(("folder", "entry"), CASES)
def test_one_capture_alone_names_no_wrong_cause(folder: Path, entry: dict):
    for capture in sorted(folder.glob("*.pcap*")):
        assert not wrong_causes(folder, entry, [capture]), capture.name


@pytest.mark.parametrize(("folder", "entry"), CASES)
def test_packets_cut_short_name_no_wrong_cause(folder: Path, entry: dict, tmp_path: Path):
    captures = [cut(capture, tmp_path) for capture in sorted(folder.glob("*.pcap*"))]
    assert not wrong_causes(folder, entry, captures)


def cut(capture: Path, folder: Path) -> Path:
    """The same capture with `HEADERS_ONLY` bytes a packet, as a small snap length leaves it."""
    data = gzip.decompress(capture.read_bytes())
    kept, at = [data[:24]], 24
    while at < len(data):
        seconds, part, there, sent = struct.unpack_from("<4I", data, at)
        packet = data[at + 16 : at + 16 + min(there, HEADERS_ONLY)]
        kept += [struct.pack("<4I", seconds, part, len(packet), sent), packet]
        at += 16 + there
    path = folder / capture.name.removesuffix(".gz")
    path.write_bytes(b"".join(kept))
    return path
