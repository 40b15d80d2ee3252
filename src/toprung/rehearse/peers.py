"""Participants of a rehearsal: one process each, on Cyclone DDS or Fast DDS, that counts what it does."""

from __future__ import annotations

import importlib.util
import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from toprung.rehearse.building import CLOCK_SHIM, FAST_PEER, PROGRAMS, Build, built, lacking, target_of
from toprung.rehearse.machines import Machine, end, found
from toprung.rehearse.settings import cyclone_settings, fast_words

SERVER = "fast-discovery-server"
Counts = dict[str, dict[str, Any]]  # "sent", "received", "matched", "incompatible" -> topic -> how many


def nothing_counted() -> Counts:
    return {"sent": {}, "received": {}, "matched": {}, "incompatible": {}}


@dataclass
class Peer:
    """One running participant."""

    name: str
    machine: Machine
    process: subprocess.Popen[bytes]
    result: Path
    log: Path

    def failure(self) -> str:
        """The last words of a peer that ended by itself, in vain; else empty."""
        if (self.process.poll() or 0) <= 0:  # it runs, it ended well, or somebody killed it
            return ""
        words = self.log.read_text(errors="replace").strip().split("\n")
        return words[-1] or "it says nothing"

    def counts(self) -> Counts:
        """What it counted so far."""
        if not self.result.exists():
            return nothing_counted()
        counted: Counts = json.loads(self.result.read_text())
        return counted

    def signal(self, number: int) -> None:
        if self.process.poll() is None:
            self.process.send_signal(number)


def lacks(libraries: Iterable[str], servers: bool = False, clocks: bool = False) -> list[str]:
    """What must be installed to run peers of these libraries ("cyclone", "fast"), discovery servers, and
    machines with wrong clocks.
    """
    wanted = []
    if "cyclone" in libraries and importlib.util.find_spec("cyclonedds") is None:
        wanted.append("pip install 'toprung[rehearse]'")
    packages = {package for build in _builds(libraries, clocks) for package in lacking(build).split()}
    if servers and not found(SERVER):
        packages.add("fastdds-tools")
    if packages:
        wanted.append(f"apt install {' '.join(sorted(packages))}")
    return wanted


def _builds(libraries: Iterable[str], clocks: bool = False) -> list[Build]:
    return [FAST_PEER] * ("fast" in libraries) + [CLOCK_SHIM] * clocks


def to_compile(libraries: Iterable[str], tools: Path | None = None) -> bool:
    """Whether a peer is not compiled yet."""
    return any(not target_of(build, tools).exists() for build in _builds(libraries))


def prepare(libraries: Iterable[str], clocks: bool = False, tools: Path | None = None) -> None:
    """Compile what is not there yet (some seconds)."""
    for build in _builds(libraries, clocks):
        built(build, tools)


def clock_settings(clock_s: float, tools: Path | None) -> dict[str, str]:
    """Environment of a process whose wall clock is ahead."""
    if not clock_s:
        return {}
    return {"LD_PRELOAD": str(built(CLOCK_SHIM, tools)), "CLOCK_SHIFT_NS": str(int(clock_s * 1e9))}


def start_peer(
    machine: Machine, spec: Mapping[str, Any], stem: Path, log: Path, tools: Path | None = None
) -> Peer:
    """Start a participant.

    spec: as PeerSpec.as_json says it.  stem: the peer's own files begin with it.  tools: folder of compiled
    programs, if not the usual one.
    """
    told, words, env = _LIBRARIES[spec["middleware"]](machine, spec, tools)
    spec_file, result = Path(f"{stem}.spec"), Path(f"{stem}.json")
    spec_file.write_text(told)
    process = machine.start(
        *words,
        str(spec_file),
        str(result),
        log=log,
        env=env | clock_settings(machine.clock_s, tools),
        own_memory=bool(spec.get("own_memory")),
    )
    return Peer(spec["name"], machine, process, result, log)


_Told = tuple[str, list[str], dict[str, str]]  # the spec's file, the program, its environment


def _cyclone(machine: Machine, spec: Mapping[str, Any], _: Path | None) -> _Told:
    words = [sys.executable, str(PROGRAMS / "peer_cyclone.py")]
    return json.dumps(spec), words, {"CYCLONEDDS_URI": cyclone_settings(machine.addresses, spec)}


def _fast(machine: Machine, spec: Mapping[str, Any], tools: Path | None) -> _Told:
    return fast_words(machine.addresses, spec), [str(built(FAST_PEER, tools))], {}


_LIBRARIES: dict[str, Callable[[Machine, Mapping[str, Any], Path | None], _Told]] = {
    "cyclone": _cyclone,
    "fast": _fast,
}


def start_server(machine: Machine, addresses: Iterable[str], port: int, log: Path) -> subprocess.Popen[bytes]:
    """Fast DDS's discovery server, from its own tools package."""
    places = [word for address in addresses for word in ("-l", address, "-p", str(port))]
    return machine.start(SERVER, "-i", "0", *places, log=log)


def stop_peers(peers: Iterable[Peer], patience_s: float = 5.0) -> None:
    """Ask every peer to leave (goodbye, last counts); kill those that take too long."""
    going = list(peers)
    for peer in going:
        peer.signal(signal.SIGCONT)
        peer.signal(signal.SIGTERM)
    latest = time.monotonic() + patience_s
    for peer in going:
        end(peer.process, None, max(0.1, latest - time.monotonic()))


def merged(peers: Iterable[Peer]) -> dict[str, Counts]:
    """Counts by participant; of a restarted one, the sum."""
    whole: dict[str, Counts] = {}
    for peer in peers:
        counts = peer.counts()
        old = whole.setdefault(peer.name, nothing_counted())
        for kind in ("sent", "received"):
            for topic, n in counts[kind].items():
                old[kind][topic] = old[kind].get(topic, 0) + n
        old["matched"].update(counts["matched"])
        old["incompatible"].update(counts["incompatible"])
    return whole
