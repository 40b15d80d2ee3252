"""Many short rehearsals in a row: what this process holds after each ten of them.

    sudo .venv/bin/python benchmarks/rehearsals.py [HOW_MANY]

Prints file handles, threads, child processes, resident memory, and network namespaces on this computer.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from importlib.resources import files
from pathlib import Path

from toprung.model.site_file import load_site
from toprung.rehearse.plan import plan_of
from toprung.rehearse.run import Rehearsal

SECONDS = 0.6


def children() -> int:
    """Processes that are ours."""
    tasks = Path("/proc/self/task").glob("*/children")
    return sum(len(task.read_text().split()) for task in tasks)


def network_namespaces() -> int:
    """Of all processes here."""
    found = set()
    for name in filter(str.isdecimal, os.listdir("/proc")):
        try:
            found.add(os.readlink(f"/proc/{name}/ns/net"))
        except OSError:
            continue
    return len(found)


def held() -> str:
    resident = int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    return (
        f"{len(os.listdir('/proc/self/fd')):4} handles  {threading.active_count():3} threads  "
        f"{children():3} children  {resident:7.1f} MB  {network_namespaces():3} network namespaces"
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    site = load_site((files("toprung.examples") / "fernhouse" / "site.yaml").read_bytes(), "site.yaml")
    begun = time.monotonic()
    for done in range(count + 1):
        if done % 10 == 0:
            sys.stdout.write(f"{done:4} rehearsals  {held()}\n")
            sys.stdout.flush()
        if done < count:
            with Rehearsal(plan_of(site, seconds=SECONDS)) as rehearsal:
                rehearsal.wait()
    sys.stdout.write(f"{(time.monotonic() - begun) / count - SECONDS:.2f} s each beside the run itself\n")


if __name__ == "__main__":
    main()
