"""A robot's network on one computer: machines as namespaces, real peers on them, captures and faults.

Nothing has a name on the host and nothing can be left behind.  Each machine is a set of anonymous
namespaces (network, host name, shared memory, mounts), held open by one process that waits on a pipe from
us; if we end, in whatever way, the pipe closes, the holder ends, the peers and recorders are killed by the
kernel (PR_SET_PDEATHSIG), and namespaces, bridge and cables go with the last of them.

    with Lab(folder) as lab:
        air = lab.air("10.77.3.1/24")
        desk = lab.machine("desk")
        lab.join(desk, "wlan0", "10.77.3.40/24")
        lab.record(desk, "wlan0")
        lab.peer(desk, {...})
"""

from __future__ import annotations

import ctypes
import json
import os
import select
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

from captures import shift_capture
from settings import cyclone_settings, fast_words

HERE = Path(__file__).resolve().parent
PEER_CYCLONE = HERE / "peer_cyclone.py"
PEER_FAST = HERE / "peer_fast.cpp"
TOOLS = ("unshare", "nsenter", "ip", "nft", "tcpdump")
_libc = ctypes.CDLL(None, use_errno=True)
_PR_SET_PDEATHSIG = 1


def die_with_us() -> None:
    """Run in the child before exec: the kernel kills it when we end."""
    _libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


class LabError(RuntimeError):
    """A step of the lab failed: the words of the tool that failed."""


def missing() -> str:
    """Why the lab cannot run here; empty if it can."""
    if os.geteuid() != 0:
        return "network namespaces need root"
    absent = [
        t
        for t in TOOLS
        if not any((Path(d) / t).exists() for d in ("/usr/bin", "/usr/sbin", "/bin", "/sbin"))
    ]
    if absent:
        return "not installed: " + ", ".join(absent)
    tried = subprocess.run(
        ["unshare", "-n", "-u", "-i", "-m", "true"], capture_output=True, text=True, check=False
    )
    return "" if tried.returncode == 0 else f"no namespaces here: {tried.stderr.strip()}"


def build_fast_peer(folder: Path) -> Path:
    """Compile the Fast DDS peer unless it is there already (about 5 s)."""
    return _compile(
        folder, PEER_FAST, "peer_fast", ["g++", "-std=c++17", "-O1"], ["-lfastrtps", "-lfastcdr", "-pthread"]
    )


def build_clock_shim(folder: Path) -> Path:
    """Compile the library that moves a process's wall clock."""
    return _compile(
        folder, HERE / "clock_shim.c", "clock_shim.so", ["gcc", "-O1", "-shared", "-fPIC"], ["-ldl"]
    )


def _compile(folder: Path, source: Path, name: str, command: list[str], libraries: list[str]) -> Path:
    built = folder / name
    if not built.exists() or built.stat().st_mtime < max(
        f.stat().st_mtime for f in HERE.glob(source.stem + "*")
    ):
        part = folder / f"{name}.{os.getpid()}"
        tried = subprocess.run(
            [*command, "-o", str(part), str(source), *libraries], capture_output=True, text=True, check=False
        )
        if tried.returncode:
            raise LabError(f"{source.name}: {tried.stderr[:600]}")
        part.replace(built)
    return built


@dataclass
class Machine:
    """One computer: its namespaces, by the process that holds them open."""

    name: str
    holder: subprocess.Popen[bytes]
    addresses: dict[str, str] = field(default_factory=dict)  # interface -> address
    clock_s: float = 0.0  # how far its clock is ahead of the true one

    def inside(self, *command: str) -> list[str]:
        return ["nsenter", "-t", str(self.holder.pid), "-n", "-u", "-i", "-m", "--", *command]

    def run(self, *command: str, text: str | None = None) -> str:
        done = subprocess.run(self.inside(*command), input=text, capture_output=True, text=True, check=False)
        if done.returncode:
            raise LabError(f"{self.name}: {' '.join(command)}: {done.stderr.strip()}")
        return done.stdout

    def nft(self, *rules: str, family: str = "inet", hook: str = "input") -> None:
        """Add a table of rules at one hook: 'udp dport 7410 drop'."""
        table = f"t{time.monotonic_ns()}"
        chain = "\n".join((f"type filter hook {hook} priority 0;", *rules))
        self.run("nft", "-f", "-", text=f"table {family} {table} {{\n chain c {{\n{chain}\n }}\n}}\n")


@dataclass
class Peer:
    """One running participant."""

    name: str
    machine: Machine
    process: subprocess.Popen[bytes]
    result: Path

    def counts(self) -> dict:
        if not self.result.exists():
            return {"sent": {}, "received": {}, "matched": {}, "incompatible": {}}
        return json.loads(self.result.read_text())

    def signal(self, number: int) -> None:
        if self.process.poll() is None:
            self.process.send_signal(number)


@dataclass
class Recorder:
    """One tcpdump, and where its capture goes."""

    machine: Machine
    path: Path
    process: subprocess.Popen[bytes]


class Lab:
    """All machines of one run.  Use as a context manager."""

    def __init__(self, folder: Path, tools: Path | None = None):
        self.folder = Path(folder)
        self.tools = tools or self.folder
        self.folder.mkdir(parents=True, exist_ok=True)
        self.machines: dict[str, Machine] = {}
        self.peers: list[Peer] = []
        self.recorders: list[Recorder] = []
        self.others: list[subprocess.Popen[bytes]] = []
        self._pipes: list[int] = []

    def __enter__(self) -> Lab:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- machines and links --------------------------------------------------------------------------

    def machine(self, name: str) -> Machine:
        """A computer with its own network, host name and /dev/shm."""
        reading, writing = os.pipe()
        script = (
            f"hostname {name}; mount -t tmpfs tmpfs /dev/shm; ip link set lo up multicast on; "
            "ip route add 239.0.0.0/8 dev lo metric 4000000; echo up; exec cat >/dev/null"
        )
        holder = subprocess.Popen(
            ["unshare", "-n", "-u", "-i", "-m", "--propagation", "private", "sh", "-c", script],
            stdin=reading,
            stdout=subprocess.PIPE,
            preexec_fn=die_with_us,
        )
        os.close(reading)
        if holder.stdout.readline() != b"up\n":
            raise LabError(f"{name}: no namespaces")
        holder.stdout.close()
        self._pipes.append(writing)
        made = Machine(name, holder)
        self.machines[name] = made
        return made

    def air(self, address: str = "", name: str = "ap") -> Machine:
        """The access point: a machine with a bridge "wlan" that the stations join."""
        ap = self.machine(name)
        ap.run("ip", "link", "add", "wlan", "type", "bridge", "mcast_snooping", "0")
        ap.run("ip", "link", "set", "wlan", "up")
        if address:
            ap.run("ip", "addr", "add", address, "dev", "wlan")
            ap.addresses["wlan"] = address.partition("/")[0]
        return ap

    def join(
        self,
        machine: Machine,
        interface: str,
        address: str,
        *,
        ap: str = "ap",
        bridge: str = "wlan",
        mtu: int = 1500,
        mac: str = "",
    ) -> None:
        """Put a machine on the air; the port at the access point has the machine's name."""
        air = self.machines[ap]
        self._pair(air, machine.name[:12], machine, interface, mtu)
        air.run("ip", "link", "set", machine.name[:12], "master", bridge)
        self.address(machine, interface, address, mac)

    def cable(
        self,
        one: Machine,
        one_interface: str,
        one_address: str,
        other: Machine,
        other_interface: str,
        other_address: str,
        mtu: int = 1500,
    ) -> None:
        """A private link between two machines."""
        self._pair(one, one_interface, other, other_interface, mtu)
        self.address(one, one_interface, one_address)
        self.address(other, other_interface, other_address)

    def _pair(self, one: Machine, one_interface: str, other: Machine, other_interface: str, mtu: int) -> None:
        one.run(
            "ip",
            "link",
            "add",
            one_interface,
            "mtu",
            str(mtu),
            "type",
            "veth",
            "peer",
            "name",
            other_interface,
            "mtu",
            str(mtu),
            "netns",
            str(other.holder.pid),
        )
        for machine, interface in ((one, one_interface), (other, other_interface)):
            machine.run("sysctl", "-qw", f"net.ipv6.conf.{interface}.disable_ipv6=1")
            machine.run("ip", "link", "set", interface, "up")

    def address(self, machine: Machine, interface: str, address: str, mac: str = "") -> None:
        if mac:
            machine.run("ip", "link", "set", interface, "address", mac)
        machine.run("ip", "addr", "add", address, "brd", "+", "dev", interface)
        machine.addresses[interface] = address.partition("/")[0]

    # -- processes -----------------------------------------------------------------------------------

    def start(
        self,
        machine: Machine,
        *command: str,
        env: dict[str, str] | None = None,
        log: str = "",
        own_memory: bool = False,
    ) -> subprocess.Popen[bytes]:
        """A process on a machine, killed with us.  own_memory: with a /dev/shm that no other process sees."""
        whole = list(command)
        if own_memory:
            whole = [
                "unshare",
                "-m",
                "-i",
                "sh",
                "-c",
                'mount -t tmpfs tmpfs /dev/shm; exec "$@"',
                "-",
                *command,
            ]
        environment = {**os.environ, **(env or {})}
        if machine.clock_s:
            environment["LD_PRELOAD"] = str(build_clock_shim(self.tools))
            environment["CLOCK_SHIFT_NS"] = str(int(machine.clock_s * 1e9))
        with open(self.folder / (log or f"{machine.name}.log"), "ab") as out:
            return subprocess.Popen(
                machine.inside(*whole),
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=out,
                preexec_fn=die_with_us,
            )

    def peer(self, machine: Machine, spec: dict) -> Peer:
        """Start a participant; `spec` as the two peers describe it, with "middleware" to choose one."""
        stem = self.folder / f"{spec['name']}.{len(self.peers)}"
        result = stem.with_suffix(stem.suffix + ".json")
        log, own = f"{spec['name']}.log", bool(spec.get("own_memory"))
        if spec["middleware"] == "cyclone":
            told = stem.with_suffix(stem.suffix + ".spec")
            told.write_text(json.dumps(spec))
            process = self.start(
                machine,
                sys.executable,
                str(PEER_CYCLONE),
                str(told),
                str(result),
                log=log,
                env={"CYCLONEDDS_URI": cyclone_settings(machine, spec)},
                own_memory=own,
            )
        else:
            told = stem.with_suffix(stem.suffix + ".words")
            told.write_text(fast_words(machine, spec))
            process = self.start(
                machine, str(build_fast_peer(self.tools)), str(told), str(result), log=log, own_memory=own
            )
        made = Peer(spec["name"], machine, process, result)
        self.peers.append(made)
        return made

    def server(self, machine: Machine, address: str, port: int) -> subprocess.Popen[bytes]:
        """Fast DDS's discovery server, from its own tools package."""
        made = self.start(
            machine, "fast-discovery-server", "-i", "0", "-l", address, "-p", str(port), log="server.log"
        )
        self.others.append(made)
        return made

    def record(self, machine: Machine, interface: str, name: str = "") -> Recorder:
        """Capture on an interface ('any' too); returns when the capture runs."""
        path = self.folder / f"{name or machine.name}.pcap"
        whole = ("-U", "-n", "-B", "32768", "-s", "262144", "-w", str(path))
        process = subprocess.Popen(
            # -Z root: a change of user would also drop the wish to be killed with us
            machine.inside("tcpdump", "-Z", "root", "-i", interface, *whole),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            preexec_fn=die_with_us,
        )
        words = b""
        while b"listening on" not in words:
            ready, _, _ = select.select([process.stderr], [], [], 10)
            chunk = os.read(process.stderr.fileno(), 4096) if ready else b""
            words += chunk
            if not chunk:
                raise LabError(f"{machine.name}: tcpdump: {words.decode(errors='replace')}")
        made = Recorder(machine, path, process)
        self.recorders.append(made)
        return made

    # -- the end -------------------------------------------------------------------------------------

    def stop_recording(self) -> None:
        """Stop all captures; move their times where the machine's clock is off."""
        for recorder in self.recorders:
            recorder.process.send_signal(signal.SIGINT)
        for recorder in self.recorders:
            _end(recorder.process, None)
            recorder.process.stderr.close()
            if recorder.machine.clock_s:
                shift_capture(recorder.path, recorder.machine.clock_s)
        self.recorders.clear()

    def stop_peers(self, patience: float = 5.0) -> None:
        """Ask every peer to leave (goodbye, last counts)."""
        for peer in self.peers:
            peer.signal(signal.SIGCONT)
            peer.signal(signal.SIGTERM)
        end = time.monotonic() + patience
        for peer in self.peers:
            _end(peer.process, None, max(0.1, end - time.monotonic()))

    def close(self) -> None:
        if any(r.process.poll() is None for r in self.recorders):
            self.stop_recording()
        self.stop_peers(1.0)
        for process in self.others:
            _end(process, signal.SIGTERM, 1.0)
        for pipe in self._pipes:
            os.close(pipe)
        self._pipes.clear()
        for machine in self.machines.values():
            _end(machine.holder, None, 2.0)


def _end(process: subprocess.Popen[bytes], number: int | None, patience: float = 3.0) -> None:
    if number is not None and process.poll() is None:
        process.send_signal(number)
    try:
        process.wait(patience)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
