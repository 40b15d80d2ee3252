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
from toprung.live.sections import section

RING_BYTES, BLOCK_BYTES = 1 << 23, 1 << 18
HOLD_MS = 20
LAST_S = 0.1  # at the end: what the kernel still holds back


def write_on(tap: Tap, file: FileIO, for_s: float = 0.0) -> None:
    """Append what a tap has, and what it gets within a time."""
    latest = time.monotonic() + for_s
    while (chunk := tap.take(max(0.0, latest - time.monotonic()))) is not None:
        file.write(chunk)
        if for_s and time.monotonic() > latest:
            return


def main() -> None:
    """Record until standard input ends."""
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
        waiting = select.poll()
        waiting.register(0, select.POLLIN | select.POLLHUP)
        for fd in files:
            waiting.register(fd, select.POLLIN | select.POLLERR)
        going = True
        while going:
            for fd, _ in waiting.poll():
                if fd == 0:
                    going = False
                else:
                    write_on(*files[fd])
        for tap, file in files.values():
            write_on(tap, file, LAST_S)


if __name__ == "__main__":
    main()
