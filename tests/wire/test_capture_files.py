"""Captures from files and pipes, whatever they are called."""

from __future__ import annotations

import gzip
import io
import os
import random
import sys
import threading
from pathlib import Path

import pytest
import zstandard

from tests.wire.frames import capture, data, ethernet, ipv4, message, udp
from tests.wire.rows import Seen, gather, read
from toprung.errors import CaptureError
from toprung.live.files import open_capture


def noise(packets: int) -> bytes:
    """A capture that hardly compresses."""
    rng = random.Random(5)
    return capture(
        *(ethernet(ipv4(udp(message(data(i + 1, rng.randbytes(300)))), ident=i)) for i in range(packets))
    )


OCTETS = noise(59)


def opened(path: Path | str, parts: int = 1) -> Seen:
    with open_capture(path) as file:
        return gather(file.scans(parts))


@pytest.mark.parametrize(
    "pack",
    [
        bytes,
        gzip.compress,
        zstandard.ZstdCompressor().compress,
        lambda octets: gzip.compress(octets[:5000]) + gzip.compress(octets[5000:]),
        lambda octets: (
            zstandard.ZstdCompressor().compress(octets[:5000])
            + zstandard.ZstdCompressor().compress(octets[5000:])
        ),
    ],
)
def test_compression_is_told_by_content(tmp_path: Path, pack: object) -> None:
    path = tmp_path / "cart.txt"
    path.write_bytes(pack(OCTETS))  # type: ignore[operator]
    assert opened(path) == read(OCTETS)


@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_pipes(tmp_path: Path, pack: object) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    writer = threading.Thread(target=lambda: path.write_bytes(pack(OCTETS)))  # type: ignore[operator]
    writer.start()
    seen = opened(path, parts=2)
    writer.join()
    assert seen == read(OCTETS)


def test_standard_input(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_bytes(OCTETS)
    with path.open("rb") as file:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(file))
        assert opened("-") == read(OCTETS)


def test_two_parts_of_a_file(tmp_path: Path) -> None:
    path = tmp_path / "long.pcap"
    path.write_bytes(OCTETS[:24] + OCTETS[24:] * 2200)
    told: list[int] = []
    with open_capture(path) as file:
        assert file.size == path.stat().st_size
        scans = file.scans(2, told.append)
        assert len(scans) == 2
        count = sum(block.n_messages for scan in scans for block in scan.blocks())
    assert count == 59 * 2200
    assert max(told) == path.stat().st_size


@pytest.mark.parametrize("pack", [gzip.compress, zstandard.ZstdCompressor().compress])
def test_compressed_data_that_end_early_are_read_up_to_there(tmp_path: Path, pack: object) -> None:
    path = tmp_path / "x"
    octets = noise(1300)
    packed = pack(octets)  # type: ignore[operator]
    path.write_bytes(packed[: len(packed) * 3 // 4])
    seen = opened(path)
    assert 300 < len(seen.messages) < 1200
    assert seen.messages == read(octets).messages[: len(seen.messages)]
    assert "ends" in str(seen.summary.tail)
    if pack is gzip.compress:
        assert seen.summary.tail.startswith("the compressed capture ends early, after ")  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "it cannot be opened: No such file or directory; a readable capture file is needed"),
        (b"", "it is empty"),
        (b"PNG, perhaps", "this is not a capture"),
        (gzip.compress(b"no capture", mtime=0), "this is not a capture"),
        (gzip.compress(b"", mtime=0), "it is empty"),
        (
            b"\x1f\x8b\x08\0 damaged beyond all hope, this one",
            "cannot be read or decompressed beyond 0 bytes",
        ),
        (b"\x28\xb5\x2f\xfd damaged beyond all hope", "cannot be read or decompressed beyond 0 bytes"),
    ],
)
def test_bad_files_get_one_line(tmp_path: Path, content: bytes | None, says: str) -> None:
    path = tmp_path / "x.pcap"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(CaptureError) as error:
        opened(path)
    assert str(error.value).startswith(f"{path}: ")
    assert says in str(error.value)
    assert "\n" not in str(error.value)


def test_a_directory_is_no_capture(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="Is a directory"):
        opened(tmp_path)
