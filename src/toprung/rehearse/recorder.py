"""The process that records every machine of a rehearsal.

    python -m toprung.rehearse.recorder

Standard input: one line of JSON, a list of [process id of the machine, clock offset in ns, file]; its end
is ours, after what was still on its way has been written.  Standard output: "ready".
"""

from __future__ import annotations

import json
import os
import select
import sys
import time
from contextlib import ExitStack
from io import FileIO

from toprung.live.packets import ANY, Settings, Tap
from toprung.live.sections import section, statistics
from toprung.rehearse.machines import hurry

# a block is handed over when it is full, or held for so long; so the ring holds 5 s at least, should this
# process have to wait; and a block has room for the longest packet
RING_BYTES, BLOCK_BYTES, HOLD_MS = 1 << 24, 1 << 17, 40
LAST_S = 0.1  # at the end: what the kernel still holds back


def write_on(tap: Tap, file: FileIO) -> None:
    """Append what a tap has."""
    while (chunk := tap.take()) is not None:
        file.write(chunk)


def main() -> None:
    """Record until standard input ends."""
    hurry(-10, session=True)
    with ExitStack() as held:
        files: dict[int, tuple[Tap, FileIO]] = {}
        for pid, offset_ns, path in json.loads(sys.stdin.buffer.readline()):
            settings = Settings(
                ring_bytes=RING_BYTES, block_bytes=BLOCK_BYTES, hold_ms=HOLD_MS, offset_ns=offset_ns
            )
            tap = held.enter_context(Tap.open(ANY, netns_pid=pid, settings=settings))
            file = held.enter_context(open(path, "wb", buffering=0))
            file.write(section() + tap.head)
            files[tap.fileno()] = tap, file
        os.write(1, b"ready\n")
        record(files)
        time.sleep(LAST_S)
        for tap, file in files.values():
            write_on(tap, file)
            counts = tap.counts()
            file.write(statistics(0, tap.last_ns, counts.packets, counts.drops))


def record(files: dict[int, tuple[Tap, FileIO]]) -> None:
    """Write what comes, until standard input ends.  files: by the taps' file descriptors."""
    waiting = select.poll()
    waiting.register(0, select.POLLIN | select.POLLHUP)
    for fd in files:
        waiting.register(fd, select.POLLIN | select.POLLERR)
    while True:
        for fd, _ in waiting.poll():
            if fd == 0:
                return
            write_on(*files[fd])


if __name__ == "__main__":
    main()
