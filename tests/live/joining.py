"""Run on a lab's machine: be a late comer on an interface for some seconds.

    joining.py INTERFACE DOMAIN SECONDS

Prints our participant's GUID prefix when it is there, and "left" when it is gone.
"""

from __future__ import annotations

import sys
import time

from toprung.live.join import joined

with joined([sys.argv[1]], int(sys.argv[2])) as ours:
    sys.stdout.write(f"{ours.prefix.hex()}\n")
    sys.stdout.flush()
    time.sleep(float(sys.argv[3]))
sys.stdout.write("left\n")
