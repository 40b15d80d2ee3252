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

import os
import select
import signal
import subprocess
from dataclasses import dataclass
from pathlib import Path

from captures import shift_capture

from toprung.errors import RehearseError
from toprung.rehearse import machines, peers
from toprung.rehearse.building import CLOCK_SHIM, FAST_PEER, built
from toprung.rehearse.machines import WITH_US, Machine, end
from toprung.rehearse.peers import Peer


def missing() -> str:
    """Why the lab cannot run here; empty if it can."""
    return machines.missing({"nft": "nftables", "tcpdump": "tcpdump"})


def build_fast_peer(folder: Path) -> Path:
    """Compile the Fast DDS peer unless it is there already (about 5 s)."""
    return built(FAST_PEER, folder)


def build_clock_shim(folder: Path) -> Path:
    """Compile the library that moves a process's wall clock."""
    return built(CLOCK_SHIM, folder)


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

    def __enter__(self) -> Lab:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- machines and links --------------------------------------------------------------------------

    def machine(self, name: str) -> Machine:
        """A computer with its own network, host name and /dev/shm."""
        made = machines.hold(name)
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

    def start(self, machine: Machine, *command: str, log: str = "") -> subprocess.Popen[bytes]:
        """A process on a machine, killed with us."""
        return machine.start(
            *command,
            log=self.folder / (log or f"{machine.name}.log"),
            env=peers.clock_settings(machine.clock_s, self.tools),
        )

    def peer(self, machine: Machine, spec: dict) -> Peer:
        """Start a participant; `spec` as the two peers describe it, with "middleware" to choose one."""
        stem, log = self.folder / f"{spec['name']}.{len(self.peers)}", self.folder / f"{spec['name']}.log"
        made = peers.start_peer(machine, spec, stem, log, self.tools)
        self.peers.append(made)
        return made

    def server(self, machine: Machine, address: str, port: int) -> subprocess.Popen[bytes]:
        """Fast DDS's discovery server, from its own tools package."""
        made = peers.start_server(machine, [address], port, self.folder / "server.log")
        self.others.append(made)
        return made

    def record(self, machine: Machine, interface: str, name: str = "") -> Recorder:
        """Capture on an interface ('any' too); returns when the capture runs."""
        path = self.folder / f"{name or machine.name}.pcap"
        whole = ("-U", "-n", "-B", "32768", "-s", "262144", "-w", str(path))
        process = subprocess.Popen(
            # -Z root: a change of user would also drop the wish to be killed with us
            [*WITH_US, *machine.inside("tcpdump", "-Z", "root", "-i", interface, *whole)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        words = b""
        while b"listening on" not in words:
            ready, _, _ = select.select([process.stderr], [], [], 10)
            chunk = os.read(process.stderr.fileno(), 4096) if ready else b""
            words += chunk
            if not chunk:
                raise RehearseError(
                    words.decode(errors="replace"), f"{machine.name}: tcpdump", "it should run"
                )
        made = Recorder(machine, path, process)
        self.recorders.append(made)
        return made

    # -- the end -------------------------------------------------------------------------------------

    def stop_recording(self) -> None:
        """Stop all captures; move their times where the machine's clock is off."""
        for recorder in self.recorders:
            recorder.process.send_signal(signal.SIGINT)
        for recorder in self.recorders:
            end(recorder.process, None)
            recorder.process.stderr.close()
            if recorder.machine.clock_s:
                shift_capture(recorder.path, recorder.machine.clock_s)
        self.recorders.clear()

    def stop_peers(self, patience: float = 5.0) -> None:
        """Ask every peer to leave (goodbye, last counts)."""
        peers.stop_peers(self.peers, patience)

    def close(self) -> None:
        if any(r.process.poll() is None for r in self.recorders):
            self.stop_recording()
        self.stop_peers(1.0)
        for process in self.others:
            end(process, signal.SIGTERM, 1.0)
        for machine in self.machines.values():
            machine.close()
        self.machines.clear()
