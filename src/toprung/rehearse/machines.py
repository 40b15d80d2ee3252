"""Machines of a rehearsal: each is a set of namespaces without a name (network, host name, shared memory,
mounts), held open by one process that waits on a pipe from us.

If we end, in whatever way, the pipe closes and the holder ends; the kernel kills what we started on the
machine (PR_SET_PDEATHSIG, prctl(2)); the namespaces go with the last of them.  The host's own interfaces
are never touched.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from toprung.errors import RehearseError

TOOLS = {"unshare": "util-linux", "nsenter": "util-linux", "setpriv": "util-linux", "ip": "iproute2"}
PLACES = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/sbin", "/usr/bin", "/bin"))
WITH_US = ("setpriv", "--pdeathsig", "KILL", "--")  # the kernel kills it when we end
_SPACES = ("-n", "-u", "-i", "-m")
# a route to multicast on loopback only where there is no other one
_BEGIN = (
    'hostname "$1"; mount -t tmpfs tmpfs /dev/shm; ip link set lo up multicast on; '
    "ip route add 239.0.0.0/8 dev lo metric 4000000; echo up; exec cat >/dev/null"
)
_OWN_MEMORY = ("unshare", "-m", "-i", "sh", "-c", 'mount -t tmpfs tmpfs /dev/shm; exec "$@"', "-")


def missing(more: Mapping[str, str] | None = None) -> str:
    """Why machines cannot be made here, and how to change that; empty if they can.

    more: further programs that are needed, and the Debian packages that bring them.
    """
    if not sys.platform.startswith("linux"):
        return "network namespaces are Linux's"
    if os.geteuid() != 0:
        return "network namespaces need root (run it with sudo)"
    absent = {package for tool, package in {**TOOLS, **(more or {})}.items() if not found(tool)}
    if absent:
        return f"not installed: apt install {' '.join(sorted(absent))}"
    if not os.path.exists("/dev/net/tun"):
        return "there is no /dev/net/tun (modprobe tun)"
    tried = subprocess.run(["unshare", *_SPACES, "true"], capture_output=True, text=True, check=False)
    return "" if tried.returncode == 0 else f"no namespaces here: {tried.stderr.strip()}"


def found(tool: str) -> bool:
    """Whether a program is installed."""
    return shutil.which(tool, path=PLACES) is not None


@dataclass
class Machine:
    """One computer: its namespaces, by the process that holds them open."""

    name: str
    holder: subprocess.Popen[bytes]
    pipe: int  # the holder ends when it closes
    addresses: dict[str, str] = field(default_factory=dict)  # interface -> address
    clock_s: float = 0.0  # how far its clock is ahead of the true one

    @property
    def pid(self) -> int:
        return self.holder.pid

    def inside(self, *command: str) -> list[str]:
        """The command's words, to be run on this machine."""
        return ["nsenter", "-t", str(self.pid), *_SPACES, "--", *command]

    def run(self, *command: str, text: str | None = None) -> str:
        """What the command says; RehearseError where it fails."""
        done = subprocess.run(self.inside(*command), input=text, capture_output=True, text=True, check=False)
        if done.returncode:
            raise RehearseError(done.stderr.strip(), f"{self.name}: {' '.join(command)}", "it should succeed")
        return done.stdout

    def nft(self, *rules: str, family: str = "inet", hook: str = "input") -> None:
        """Add a table of rules at one hook: 'udp dport 7410 drop'."""
        table = f"t{time.monotonic_ns()}"
        chain = "\n".join((f"type filter hook {hook} priority 0;", *rules))
        self.run("nft", "-f", "-", text=f"table {family} {table} {{\n chain c {{\n{chain}\n }}\n}}\n")

    def start(
        self, *command: str, log: Path, env: Mapping[str, str] | None = None, own_memory: bool = False
    ) -> subprocess.Popen[bytes]:
        """A process on this machine that ends with us; with the thread of ours that calls this.

        own_memory: with a /dev/shm that no other process sees.
        """
        whole = (*_OWN_MEMORY, *command) if own_memory else command
        with log.open("ab") as out:
            return spawn(
                self.inside(*whole),
                env={**os.environ, **(env or {})},
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=out,
            )

    def close(self) -> None:
        """Let its namespaces go."""
        os.close(self.pipe)
        end(self.holder, None, 2.0)


def spawn(words: Sequence[str], **pipes: Any) -> subprocess.Popen[bytes]:
    """A process that ends with the thread of ours that calls this; a terminal's Ctrl-C leaves it alone."""
    return subprocess.Popen([*WITH_US, *words], start_new_session=True, **pipes)


def hurry(niceness: int, *, session: bool = False) -> None:
    """Have this thread come before others (less than 0) or after them (nice(2)).

    session: and the whole session, where the kernel shares its time among sessions first (sched(7)).
    """
    with suppress(OSError):  # not allowed here: it will do without
        os.setpriority(os.PRIO_PROCESS, 0, niceness)
        if session:
            Path("/proc/self/autogroup").write_text(str(niceness))


def hold(name: str) -> Machine:
    """A computer with its own network, host name and /dev/shm, and no interface but loopback."""
    reading, writing = os.pipe()
    holder = spawn(
        ["unshare", *_SPACES, "--propagation", "private", "sh", "-c", _BEGIN, "-", name],
        stdin=reading,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    os.close(reading)
    assert holder.stdout is not None
    assert holder.stderr is not None
    with holder.stdout as said, holder.stderr as trouble:
        if said.readline() != b"up\n":
            os.close(writing)
            words = trouble.read().decode(errors="replace").strip()
            end(holder, None)
            raise RehearseError(f"no namespaces ({words})", name, "a kernel that allows them would be right")
    return Machine(name, holder, writing)


def end(process: subprocess.Popen[bytes], number: int | None, patience_s: float = 3.0) -> None:
    """Signal a process, wait for its end, and kill it where that takes too long."""
    if number is not None and process.poll() is None:
        process.send_signal(number)
    with suppress(subprocess.TimeoutExpired):
        process.wait(patience_s)
        return
    process.kill()
    process.wait()
