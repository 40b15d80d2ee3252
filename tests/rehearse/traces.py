"""What a rehearsal leaves on its computer: processes, namespaces, files."""

from __future__ import annotations

import os
import time
from pathlib import Path

NAMESPACES = ("net", "mnt", "uts", "ipc")


def _stat(pid: int) -> list[str]:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return []


def processes() -> list[int]:
    return [int(name) for name in os.listdir("/proc") if name.isdecimal()]


def descendants(root: int) -> dict[int, str]:
    """All processes below one, with their start times."""
    below, grown = {root}, True
    stats = {pid: _stat(pid) for pid in processes()}
    while grown:
        more = {pid for pid, s in stats.items() if s and int(s[1]) in below} - below
        below |= more
        grown = bool(more)
    return {pid: stats[pid][19] for pid in below - {root}}


def alive(known: dict[int, str]) -> list[int]:
    """Those that still are there, and no zombies."""
    return [pid for pid, begun in known.items() if (s := _stat(pid)) and s[19] == begun and s[0] != "Z"]


def namespaces(pids: list[int]) -> set[str]:
    """The namespaces that processes are in, other than our own."""
    found = set()
    for pid in pids:
        for kind in NAMESPACES:
            try:
                found.add(os.readlink(f"/proc/{pid}/ns/{kind}"))
            except OSError:
                continue
    return found - {os.readlink(f"/proc/self/ns/{kind}") for kind in NAMESPACES}


def wait_until(done, seconds: float) -> bool:
    """Whether something comes true in time."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if done():
            return True
        time.sleep(0.05)
    return bool(done())
