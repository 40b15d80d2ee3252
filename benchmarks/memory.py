"""Peak memory while a large capture is read (written first, deleted afterwards).

python benchmarks/memory.py [gigabytes] [threads]
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import generate

READ = """
import resource, sys
from concurrent.futures import ThreadPoolExecutor
from toprung.live.files import open_capture
def drain(scan):
    for _ in scan.blocks(): pass
    return scan.summary.packets
threads = int(sys.argv[2])
with open_capture(sys.argv[1]) as file, ThreadPoolExecutor(threads) as pool:
    packets = sum(pool.map(drain, file.scans(threads)))
print(packets, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def main(gigabytes: float, threads: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "large.pcap"
        size = generate.write(path, int(gigabytes * 1e9 / 275))
        done = subprocess.run(
            [sys.executable, "-c", READ, str(path), str(threads)], check=True, capture_output=True, text=True
        )
    packets, peak = done.stdout.split()
    sys.stdout.write(
        f"{size / 1e9:.2f} GB, {packets} packets, {threads} thread(s): "
        f"peak {float(peak):.0f} MB (to reach: below 400)\n"
    )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 4.0, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
