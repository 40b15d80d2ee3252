"""Packets per second that listening holds without a drop on one processor, beside tcpdump writing a file.

Both get the same RTPS traffic (that of generate.py) over a veth pair, one after the other; the sender has
the other processor, and the kernel's receiving half runs there, too.

    python benchmarks/listening.py [seconds a step] [packets/s ...]
"""

from __future__ import annotations

import json
import random
import re
import signal
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import generate
from blast import Frames, pace
from stage import NIC, cable, listen, start

SENDER, LISTENER = 0, 1  # processors
RATES = (50_000, 100_000, 150_000, 200_000, 300_000)
RING_KB = 32_768  # of tcpdump, as large as that of listen
LATE_S = 1.5


def pattern() -> tuple[bytearray, list[tuple[int, int]], list[tuple[int, int]]]:
    """Frames in one buffer, their places, and where sequence numbers' low words stand with their step."""
    rng, laid = random.Random(7411), generate.Pattern()
    flows = [generate.Flow(p, w) for p in range(generate.PARTICIPANTS) for w in range(generate.WRITERS)]
    while len(laid.starts) < generate.PATTERN:
        generate.lay(laid, rng, flows, rng.randrange(len(flows)))
    ends = [*laid.starts[1:], len(laid.records)]
    places = [(at + 16, stop - at - 16) for at, stop in zip(laid.starts, ends, strict=True)]
    numbers = [(at, flows[flow].written) for at, flow, big in laid.numbers if not big]
    return laid.records, places, numbers


def send(interface: str, rate_hz: float, seconds: float) -> None:
    """The sending side: prints how many packets went."""
    import numpy as np

    buffer, places, numbers = pattern()
    frames = Frames(interface, buffer, places)
    octets = np.frombuffer(buffer, "u1")
    at, step = (np.array(column) for column in zip(*numbers, strict=True))
    words = at[:, None] + np.arange(4)
    first = octets[words].copy().view("<u4")[:, 0]
    step = np.where(first > 1, step, 0)  # a heartbeat's first stays 1

    def onward(rounds: int) -> None:
        octets[words] = (first + rounds * step).astype("<u4")[:, None].view("u1").reshape(-1, 4)

    sys.stdout.write(f"{pace(frames, rate_hz, seconds, onward)}\n")


def by_listen(base: object, brain: object, rate: float, seconds: float, *words: str) -> dict[str, float]:
    with listen(brain, LISTENER, *words) as ear:  # type: ignore[arg-type]
        time.sleep(LATE_S)
        went = blow(base, rate, seconds)
        ear.send_signal(signal.SIGTERM)
        out, err = ear.communicate(timeout=60)
    if err:
        raise SystemExit(err)
    last = json.loads(out.splitlines()[-1])["live"]
    return {"sent": went, "heard": last["packets"] - last["dropped"], "dropped": last["dropped"]}


def by_tcpdump(base: object, brain: object, rate: float, seconds: float, path: str) -> dict[str, float]:
    command = ("tcpdump", "-Z", "root", "-i", NIC, "-n", "-B", str(RING_KB), "-s", "262144", "-w", path)
    with start(brain, LISTENER, *command) as ear:  # type: ignore[arg-type]
        time.sleep(LATE_S)
        went = blow(base, rate, seconds)
        time.sleep(LATE_S)
        ear.send_signal(signal.SIGINT)
        words = ear.communicate(timeout=60)[1]
    heard, dropped = (
        int(re.search(rf"(\d+) packets? {what}", words)[1]) for what in ("captured", "dropped by kernel")
    )
    return {"sent": went, "heard": heard, "dropped": dropped}


def blow(base: object, rate: float, seconds: float) -> int:
    words = (sys.executable, __file__, "--send", NIC, str(rate), str(seconds))
    with start(base, SENDER, *words) as wind:  # type: ignore[arg-type]
        out, err = wind.communicate(timeout=seconds + 60)
    if wind.returncode:
        raise SystemExit(err)
    return int(out)


def main(seconds: float, rates: tuple[float, ...]) -> None:
    sys.stdout.write(f"{'':<34}{'packets/s':>12}{'sent':>12}{'heard':>12}{'dropped':>10}\n")
    with tempfile.TemporaryDirectory() as folder:
        for rate in rates:
            for name, ask in (
                ("listen", lambda b, n, r, s: by_listen(b, n, r, s)),
                (
                    "listen --save",
                    lambda b, n, r, s: by_listen(b, n, r, s, "--save", f"{folder}/l.pcapng", "--force"),
                ),
                ("tcpdump -w", lambda b, n, r, s: by_tcpdump(b, n, r, s, f"{folder}/t.pcap")),
            ):
                with cable() as (base, brain):
                    found = ask(base, brain, rate, seconds)
                got = found["sent"] / seconds
                sys.stdout.write(
                    f"{name:<34}{got:>12,.0f}{found['sent']:>12,}{found['heard']:>12,}{found['dropped']:>10,}\n"
                )
                sys.stdout.flush()


if __name__ == "__main__":
    if sys.argv[1:2] == ["--send"]:
        send(sys.argv[2], float(sys.argv[3]), float(sys.argv[4]))
    else:
        main(
            float(sys.argv[1]) if len(sys.argv) > 1 else 10.0,
            tuple(float(rate) for rate in sys.argv[2:]) or RATES,
        )
