"""The process that records every machine of a rehearsal.

    python -m toprung.rehearse.recorder

Standard input: one line of JSON, a list of [process id of the machine, clock offset in ns, file]; its end
is ours, after what was still on its way has been written.  Standard output: "ready".
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

from toprung.live.packets import ANY, Settings
from toprung.live.saving import Recorder, Recording
from toprung.rehearse.machines import hurry

# a block is handed over when it is full, or held for so long; so the ring holds 5 s at least, should this
# process have to wait; and a block has room for the longest packet
SETTINGS = Settings(ring_bytes=1 << 24, block_bytes=1 << 17, hold_ms=40)


def main() -> None:
    """Record until standard input ends."""
    hurry(-10, session=True)
    told = json.loads(sys.stdin.buffer.readline())
    recordings = [Recording(Path(path), (ANY,), pid, offset_ns) for pid, offset_ns, path in told]
    with Recorder(recordings, SETTINGS):
        os.write(1, b"ready\n")
        sys.stdin.buffer.read()


if __name__ == "__main__":
    main()
