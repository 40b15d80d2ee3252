"""How many frames a second the links of a rehearsal carry: a flood of small datagrams between two machines.

    sudo .venv/bin/python benchmarks/links.py [SECONDS]

Prints, for each kind of link, frames that arrived a second while the switch process was busy all the time,
and the share of a core that it took.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from toprung.rehearse.ether import Ether
from toprung.rehearse.machines import Machine, end, hold
from toprung.rehearse.network import configure
from toprung.rehearse.specs import LinkSpec, MachineSpec, Rule

JOINS = [("one", "if0"), ("two", "if0")]
KINDS = {
    "without limits": LinkSpec("link", JOINS),
    "rate and delay": LinkSpec("link", JOINS, rate_bps=10e9, delay_s=0.0003),
    "loss and a rule": LinkSpec("link", JOINS, loss=0.01, rules=[Rule(cast="multicast")]),
    "wifi, access point": LinkSpec(
        "link", JOINS, kind="wifi", standard="ax", rate_bps=1.2e9, access_point=True, queue_s=1.0
    ),
}
FLOOD = (
    "import socket,time\n"
    "s=socket.socket(socket.AF_INET,socket.SOCK_DGRAM)\n"
    "end=time.time()+{0}\n"
    "while time.time()<end:\n"
    " for _ in range(100): s.sendto(bytes(200),('10.9.0.2',7411))\n"
)


def cpu_s(pid: int) -> float:
    """Processor time of a process so far (proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def flood(link: LinkSpec, seconds: float, folder: Path) -> tuple[float, float]:
    """Frames carried a second, and the switch's share of a core."""
    specs = {name: MachineSpec(name, {"if0": [f"10.9.0.{n}/24"]}) for n, name in enumerate(("one", "two"), 1)}
    machines: dict[str, Machine] = {name: hold(name) for name in specs}
    ether = Ether([link], machines, specs, lambda heard: None)
    for name, spec in specs.items():
        configure(machines[name], spec, {"if0"})
    before, begun = cpu_s(ether.pid), time.monotonic()
    process = machines["one"].start(sys.executable, "-c", FLOOD.format(seconds), log=folder / "log")
    process.wait()
    spent, took = cpu_s(ether.pid) - before, time.monotonic() - begun
    ether.close()
    for machine in machines.values():
        machine.close()
    end(process, None)
    return ether.tally["link"]["arrived"] / took, spent / took


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 4.0
    with TemporaryDirectory() as folder:
        for name, link in KINDS.items():
            rate, share = flood(link, seconds, Path(folder))
            sys.stdout.write(f"{name:<20} {rate:9,.0f} frames/s, {share:.0%} of a core\n")


if __name__ == "__main__":
    main()
