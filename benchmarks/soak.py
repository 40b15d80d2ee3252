"""Memory, processor time and drops of a long listening while participants come and go.

python benchmarks/soak.py [minutes] [packets/s] [participants in all]
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from stage import NIC, cable, listen, start

SENDER, LISTENER = 0, 1
BETWEEN_S = 5.0
SETTLED = 1 / 3  # of the time, after which memory should be flat
TICK = os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    """Resident memory, the ring that is shared with the kernel included."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def processor_s(pid: int) -> float:
    words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / TICK


class Looks:
    """The last of the looks that listening prints."""

    def __init__(self, ear: subprocess.Popen[str]) -> None:
        self.last: dict[str, dict[str, float]] = {}
        self._ear = ear
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._ear.stdout is not None
        for line in self._ear.stdout:
            self.last = json.loads(line)

    def end(self) -> dict[str, dict[str, float]]:
        self._thread.join()
        return self.last


def main(minutes: float, rate: float, visitors: int) -> None:
    seconds = minutes * 60
    curve: list[tuple[float, float]] = []
    sys.stdout.write(
        f"{'s':>6}{'MB':>8}{'processor':>11}{'packets/s':>11}{'dropped':>9}{'retired':>9}{'look s':>9}\n"
    )
    with cable() as (base, brain), tempfile.TemporaryDirectory(), listen(brain, LISTENER) as ear:
        looks = Looks(ear)
        time.sleep(1.5)
        command = (sys.executable, str(Path(__file__).with_name("visitors.py")))
        with start(base, SENDER, *command, NIC, str(rate), str(seconds), str(visitors)) as wind:
            begun, used = time.monotonic(), processor_s(ear.pid)
            while wind.poll() is None:
                time.sleep(BETWEEN_S)
                now, before, used = time.monotonic() - begun, used, processor_s(ear.pid)
                curve.append((now, memory_mb(ear.pid)))
                live = looks.last.get("live", {})
                told = [live.get(key, 0) for key in ("packets_per_s", "dropped", "retired", "took_s")]
                share = (used - before) / BETWEEN_S
                sys.stdout.write(f"{now:>6.0f}{curve[-1][1]:>8.1f}{share:>11.0%}{told[0]:>11,.0f}")
                sys.stdout.write(f"{told[1]:>9,}{told[2]:>9,}{told[3]:>9.2f}\n")
                sys.stdout.flush()
            went = int(wind.communicate()[0])
        ear.send_signal(signal.SIGTERM)
        last = looks.end()["live"]
        words = ear.communicate(timeout=60)[1]
    if words:
        raise SystemExit(words)
    report(curve, seconds, went, last)


def report(curve: list[tuple[float, float]], seconds: float, went: int, last: dict[str, float]) -> None:
    settled = [(t, mb) for t, mb in curve if t > SETTLED * seconds]
    times, sizes = zip(*settled, strict=True)
    mean_t, mean = sum(times) / len(times), sum(sizes) / len(sizes)
    slope = sum((t - mean_t) * (mb - mean) for t, mb in settled) / sum((t - mean_t) ** 2 for t in times)
    sys.stdout.write(
        f"sent {went:,}, heard {last['packets'] - last['dropped']:,.0f}, dropped {last['dropped']:,.0f}; "
        f"{last['retired']:,.0f} participants no longer kept apart\n"
        f"memory after a third: {min(sizes):.1f} to {max(sizes):.1f} MB, "
        f"{slope * 60:+.3f} MB a minute\n"
    )


if __name__ == "__main__":
    main(
        float(sys.argv[1]) if len(sys.argv) > 1 else 3.0,
        float(sys.argv[2]) if len(sys.argv) > 2 else 20_000.0,
        int(sys.argv[3]) if len(sys.argv) > 3 else 1_000,
    )
