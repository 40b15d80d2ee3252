"""Damaged packets through the scan and the discovery decoders: no crash, no hang, no growing memory.

python benchmarks/fuzz.py [packets] [seed]
"""

from __future__ import annotations

import resource
import signal
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
import mutations

from toprung.model.picture import Side
from toprung.wire import discovery
from toprung.wire.ids import EntityId, Flag, Sub
from toprung.wire.scan import Scan

SHARED = Path(__file__).parents[2] / "shared" / "captures"
MEMORY = 1 << 30  # octets of address space beyond what is mapped at the start
SECONDS = 20  # a capture of 2,000 packets
DECODERS: dict[int, Any] = {
    EntityId.PARTICIPANT_WRITER: discovery.read_participant,
    EntityId.PUBLICATIONS_WRITER: lambda *args: discovery.read_endpoint(args[0], Side.WRITER, *args[1:]),
    EntityId.SUBSCRIPTIONS_WRITER: lambda *args: discovery.read_endpoint(args[0], Side.READER, *args[1:]),
    EntityId.TOPICS_WRITER: discovery.read_topic,
    EntityId.PARTICIPANT_MESSAGE_WRITER: discovery.read_liveliness,
}


def through(octets: bytes, decode: bool = True) -> tuple[int, int, int]:
    """Scan one capture, decode what it announces; packets, submessages, payloads given to decoders."""
    scan = Scan(octets)
    payloads = 0
    for block in scan.blocks():
        s = block.submessages
        for row in range(block.n_submessages if decode else 0):
            reader = DECODERS.get(int(s.writer[row])) if s.kind[row] == Sub.DATA else None
            if reader is not None:
                payloads += 1
                announce(reader, block, row)
    return scan.summary.packets, scan.summary.submessages, payloads


def announce(reader: Any, block: Any, row: int) -> None:
    """Give one payload to its decoder, which says what is malformed and never raises."""
    s = block.submessages
    flags = int(s.flags[row])
    reader(bytes(block.payload(row)), bytes(block.inline_qos(row)), bool(flags & Flag.LITTLE_ENDIAN))


def main(packets: int, seed: int) -> None:
    paths = sorted(SHARED.glob("*/*.pcap.gz"))
    mapped = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (mapped + MEMORY, mapped + MEMORY))
    totals = [0, 0, 0]
    for octets in mutations.captures(paths, packets, seed):
        signal.alarm(SECONDS)
        for i, count in enumerate(through(octets)):
            totals[i] += count
        signal.alarm(0)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    sys.stdout.write(
        "{} packets, {} submessages, {} announcements".format(*totals)
        + f"; peak {peak:.0f} MB; seed {seed}\n"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200_000, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
