"""How fast captures are read, side by side in one run.

np.sum over the file's octets (uint64 view of a fresh mapping), the scan with one and with two threads, the
way to a finished Picture, and scapy on a slice, scaled.  Rounds are interleaved; the best
of each counts.  CPU time for what runs in one thread, wall time for one thread against two: other work on
the machine disturbs the second more.

    python benchmarks/scan.py [capture.pcap]        (without one, a million packets are generated)
"""

from __future__ import annotations

import mmap
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import generate

from toprung.live.files import open_capture
from toprung.model.picture import Picture
from toprung.observe import look
from toprung.wire.kernels import compiled
from toprung.wire.scan import Scan

ROUNDS = 12
SLICE = 2_000  # packets for scapy


def total(path: Path, clock: Callable[[], float]) -> float:
    """Seconds of np.sum over the file's octets as uint64, fresh mapping included, unmapping not."""
    with path.open("rb") as file:
        begin = clock()
        mapped = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        np.frombuffer(mapped, "u8", len(mapped) // 8).sum()
        return clock() - begin


def drain(scan: Scan) -> int:
    """Read a capture to its end, as it is read when there is no other to match it with."""
    scan.leave_prints()
    for _ in scan.blocks():
        pass
    return scan.summary.submessages


def scan(path: Path, threads: int = 1) -> int:
    with open_capture(path) as file, ThreadPoolExecutor(threads) as pool:
        return sum(pool.map(drain, file.scans(threads)))


def picture(path: Path) -> Picture:
    """Capture to finished Picture, in one thread."""
    with open_capture(path) as file:
        return look([(None, one) for one in file.scans()], threads=1)


def scapy_seconds(path: Path, packets: int) -> float:
    """CPU seconds that scapy's RTPS layer would take for so many packets, from a slice."""
    from scapy.contrib.rtps import RTPS
    from scapy.layers.inet import IP, UDP
    from scapy.utils import PcapReader

    begin = time.process_time()
    with PcapReader(str(path)) as reader:
        for _ in range(SLICE):
            frame = next(reader)
            if UDP in frame and not frame[IP].frag:
                RTPS(bytes(frame[UDP].payload))
    return (time.process_time() - begin) / SLICE * packets


def clocked(work: Callable[[], object], clock: Callable[[], float]) -> float:
    begin = clock()
    work()
    return clock() - begin


def rounds(path: Path) -> dict[str, float]:
    """Best seconds of each contender."""
    cpu, wall = time.process_time, time.perf_counter
    contenders = {
        "scan": (lambda: scan(path), cpu),
        "scan, wall": (lambda: scan(path), wall),
        "scan, two threads, wall": (lambda: scan(path, 2), wall),
        "capture to Picture": (lambda: picture(path), cpu),
    }
    best = dict.fromkeys(("np.sum", *contenders), float("inf"))
    for _ in range(ROUNDS):
        best["np.sum"] = min(best["np.sum"], total(path, cpu))
        for name, (work, clock) in contenders.items():
            best[name] = min(best[name], clocked(work, clock))
    return best


def report(path: Path) -> str:
    size = path.stat().st_size
    with open_capture(path) as file:
        (one,) = file.scans()
        submessages, packets = drain(one), one.summary.packets
    best = rounds(path)
    base, scanned = best["np.sum"], best["scan"]
    lines = [
        f"{packets} packets, {submessages} submessages, {size / 1e6:.0f} MB; kernels compiled: {compiled()}"
    ]
    for name, seconds in best.items():
        rates = f"{size / seconds / 1e9:7.2f} GB/s {packets / seconds / 1e6:7.2f} M packets/s "
        rates += f"{submessages / seconds / 1e6:7.2f} M submessages/s   1/{seconds / base:.1f} of np.sum"
        lines.append(f"{name:26}{seconds * 1e3:9.1f} ms {rates}")
    scapy = scapy_seconds(path, packets)
    lines.append(f"{'scapy (slice, scaled)':26}{scapy:9.1f} s")
    lines.append(f"scan / np.sum = {base / scanned:.3f} (to reach: 0.2)")
    lines.append(f"scan / scapy = {scapy / scanned:.0f} (to reach: 3000)")
    two = best["scan, wall"] / best["scan, two threads, wall"]
    drawn = best["capture to Picture"]
    lines.append(f"capture to Picture / np.sum = 1/{drawn / base:.1f} (to reach: 1/15)")
    lines.append(f"two threads / one = {two:.2f} (to reach: 1.5)")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    if len(sys.argv) > 1:
        sys.stdout.write(report(Path(sys.argv[1])))
    else:
        with tempfile.TemporaryDirectory() as folder:
            made = Path(folder) / "million.pcap"
            generate.write(made, 1_000_000)
            sys.stdout.write(report(made))
