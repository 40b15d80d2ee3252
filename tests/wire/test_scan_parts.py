"""One capture in parts: the same rows as in one piece."""

from __future__ import annotations

import gzip
import random
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.wire import frames
from tests.wire.frames import data, ethernet, ipv4, message, pcap, record, udp
from tests.wire.rows import gather, read
from tests.wire.test_scan_fragments import pieces
from toprung.wire import parts
from toprung.wire.parts import split, unite
from toprung.wire.summary import total

SHARED = Path(__file__).parents[3] / "shared" / "captures"


def sample(packets: int) -> bytes:
    """Datagrams of many sizes, each third in fragments that are mixed with others'."""
    rng = random.Random(3)
    waiting: list[bytes] = []
    for i in range(packets // 2):
        body = udp(message(data(i + 1, b"\0\1\0\0" + rng.randbytes(rng.choice((20, 200, 2500))))))
        source = f"10.77.{i % 7}.{1 + i % 90}"
        waiting += (
            pieces(body, 1000, i % 65_536, source)
            if len(body) > 1000
            else [ethernet(ipv4(body, source, ident=i))]
        )
    for i in range(0, len(waiting) - 8, 8):
        chunk = waiting[i : i + 8]
        rng.shuffle(chunk)
        waiting[i : i + 8] = chunk
    return pcap(*(record(frame, 10**9 + i * 10_000) for i, frame in enumerate(waiting)))


@pytest.fixture(autouse=True)
def _short_leads(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "LEAD", 1 << 16)
    monkeypatch.setattr(parts, "PROOF", 1 << 15)


@pytest.mark.parametrize("count", [2, 3, 5])
def test_parts_yield_the_rows_of_the_whole(count: int) -> None:
    octets = sample(4000)
    whole = read(octets)
    scans = split(octets, count, smallest=0)
    assert len(scans) == count
    seen = gather(scans)
    summaries = [scan.summary for scan in scans]
    assert total(summaries) == whole.summary
    before = {}
    at = 0
    for k, scan in enumerate(scans):
        before[k] = at
        at += scan.summary.packets
    rows = [[m for m in gather([again]).messages] for again in split(octets, count, smallest=0)]
    moved = [{**m, "packet": m["packet"] + before[k]} for k, part in enumerate(rows) for m in part]
    assert moved == whole.messages
    assert seen.submessages == whole.submessages


def test_threads_read_parts_at_once() -> None:
    octets = sample(4000)
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(lambda scan: gather([scan]), split(octets, 2, smallest=0)))
    whole = read(octets)
    assert [m["datagram"] for part in found for m in part.messages] == [m["datagram"] for m in whole.messages]


def test_shared_captures_in_parts() -> None:
    for path in sorted(SHARED.glob("*/cartbrain.pcap.gz"))[:6]:
        octets = gzip.decompress(path.read_bytes())
        scans = split(octets, 2, smallest=0)
        seen, whole = gather(scans), read(octets)
        assert seen.submessages == whole.submessages
        assert total([scan.summary for scan in scans]) == whole.summary


def test_tables_are_united() -> None:
    octets = sample(2000)
    scans = split(octets, 3, smallest=0)
    gather(scans)
    united = unite([scan.tables for scan in scans])
    for scan, addresses, prefixes in zip(scans, united.address_of, united.prefix_of, strict=True):
        assert [united.addresses[i] for i in addresses] == scan.tables.addresses
        assert [united.prefixes[i] for i in prefixes] == scan.tables.prefixes
    assert united.addresses[0] == ""
    assert len(set(united.addresses)) == len(united.addresses)


def test_small_and_sectioned_captures_stay_whole() -> None:
    assert len(split(sample(500), 4)) == 1
    sections = frames.section() + frames.interface() + frames.packet(frames.plain()) * 3000
    assert len(split(sections, 4, smallest=0)) == 1
    assert len(gather(split(sections, 4, smallest=0)).messages) == 3000


def test_a_capture_inside_packets_does_not_mislead() -> None:
    """Packets that carry capture records: only the outer records are boundaries."""
    inner = sample(200)[24:]
    carriers = [
        ethernet(ipv4(udp(inner[i : i + 1400]), ident=i % 65_536)) for i in range(0, len(inner) - 1400, 700)
    ]
    octets = pcap(*(record(frame, 10**9 + i * 1000) for i, frame in enumerate(carriers * 20)))
    scans = split(octets, 3, smallest=0)
    gather(scans)
    assert sum(scan.summary.packets for scan in scans) == 20 * len(carriers)
