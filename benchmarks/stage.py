"""Two namespaces and a cable between them, and programs on either side, each on a processor of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from toprung.rehearse.machines import Machine, end, hold

ROOT = Path(__file__).resolve().parents[1]
NIC = "usb0"
ADDRESSES = {"base": "10.77.1.2/24", "brain": "10.77.1.1/24"}


@contextmanager
def cable() -> Iterator[tuple[Machine, Machine]]:
    """base and brain, joined by a veth pair "usb0"; gone at the end."""
    base = hold("base")
    brain = hold("brain")
    try:
        made = ("ip", "link", "add", NIC, "type", "veth", "peer", "name", NIC, "netns", str(brain.pid))
        base.run(*made)
        for machine in (base, brain):
            machine.run("sysctl", "-qw", f"net.ipv6.conf.{NIC}.disable_ipv6=1")
            machine.run("ip", "link", "set", NIC, "up")
            machine.run("ip", "addr", "add", ADDRESSES[machine.name], "dev", NIC)
        yield base, brain
    finally:
        for machine in (base, brain):
            machine.close()


def start(machine: Machine, processor: int, *command: str) -> subprocess.Popen[str]:
    """A program on a machine, pinned to one processor."""
    pinned = machine.inside("taskset", "-c", str(processor), *command)
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "src")}
    return subprocess.Popen(
        pinned, env=environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )


def listen(machine: Machine, processor: int, *words: str) -> subprocess.Popen[str]:
    """toprung listen --json-lines on the cable."""
    command = (sys.executable, "-m", "toprung.cli.main", "listen", "--on", NIC, "--json-lines", *words)
    return start(machine, processor, *command)


__all__ = ["NIC", "ROOT", "cable", "end", "listen", "start"]
