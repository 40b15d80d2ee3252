"""The process between all machines: it holds the TAP device of every interface and moves their frames.

    python -m toprung.rehearse.switch

Standard input: one line of JSON with the links and machines (`Wiring`), then one line for each change
while it runs; its end is ours.  Standard output: "ready", then what slowed machines heard, and at the end
the tally of every link.
"""

from __future__ import annotations

import ctypes
import json
import os
import select
import socket
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict
from typing import Any

from toprung.rehearse.air import Air
from toprung.rehearse.cable import Cable
from toprung.rehearse.frames import claim, is_discovery, one_hop_on
from toprung.rehearse.machines import hurry
from toprung.rehearse.medium import NEVER, Medium, Station
from toprung.rehearse.specs import LinkSpec, Rule
from toprung.rehearse.taps import make_tap, sender, set_carrier

KINDS: dict[str, type[Medium]] = {"wifi": Air, "ethernet": Cable, "usb": Cable}
BURST = 64  # frames that are read from one interface before the others get their turn
LONGEST = 65_600  # octets of a frame
TICK_S = 0.01  # between reports of what slowed machines heard
IDLE_S = 1.0
USUAL_MTU = 1500  # RFC 894; what an interface has where nothing is declared
_TIMER_SLACK = 29  # PR_SET_TIMERSLACK, prctl(2)


class Port:
    """One end of a link: the interface of a machine."""

    def __init__(self, number: int, medium: Medium, pid: int, tap: int) -> None:
        self.number = number
        self.medium = medium
        self.pid = pid
        self.tap = tap
        self.station = medium.stations[number]
        self.plugged = True
        self.slowed = False
        self.routes: list[Port] = []  # the machine's other interfaces, where it forwards multicast
        self._sender: socket.socket | None = None

    def say(self, frame: bytes) -> None:
        """Have the machine send a frame from here; its captures show it."""
        if self._sender is None:
            self._sender = sender(self.pid, self.station.interface)
        with suppress(OSError):  # the interface is down
            self._sender.send(frame)


class Switch:
    """All links while they run.  wiring: see `Ether`."""

    def __init__(self, wiring: dict[str, Any], say: Callable[[dict[str, Any]], None]) -> None:
        self.say = say
        self.media: dict[str, Medium] = {}
        self.ports: dict[int, Port] = {}  # by file descriptor
        self.heard: dict[str, int] = {}
        self.next_report = NEVER
        self.claims: list[tuple[float, Port, str, float]] = []
        for number, entry in enumerate(wiring["links"]):
            self._link(number, entry, wiring)
        self._of_medium = {m: [p for p in self.ports.values() if p.medium is m] for m in self.media.values()}
        for port in self.ports.values():
            machine = port.station.machine
            port.slowed = machine in wiring["slowed"]
            if machine in wiring["routers"]:
                port.routes = [
                    p for p in self.ports.values() if p.station.machine == machine and p is not port
                ]

    def _link(self, number: int, entry: dict[str, Any], wiring: dict[str, Any]) -> None:
        joins = [(str(m), str(i)) for m, i in entry["joins"]]
        spec = LinkSpec(**{**entry, "joins": joins, "rules": [rule_of(r) for r in entry["rules"]]})
        mtus = wiring["mtus"]
        stations = [
            Station(m, i, hardware_of(number, at), mtus[m].get(i, USUAL_MTU))
            for at, (m, i) in enumerate(joins)
        ]
        medium = KINDS[spec.kind](spec, stations, wiring["seed"] + number)
        self.media[spec.name] = medium
        for at, station in enumerate(stations):
            pid = wiring["machines"][station.machine]
            tap = make_tap(pid, station.interface, station.hardware)
            self.ports[tap] = Port(at, medium, pid, tap)

    # -- frames ---------------------------------------------------------------------------------------

    def run(self, control: int) -> None:
        """Move frames until the control pipe closes."""
        inputs = [control, *self.ports]
        told = b""
        while True:
            wait = min(self._due() - time.monotonic(), IDLE_S)
            readable, _, _ = select.select(inputs, (), (), max(0.0, wait))
            now = time.monotonic()
            for fd in readable:
                if fd != control:
                    self._read(fd, now)
                    continue
                said = os.read(control, 65536)
                if not said:
                    return
                *lines, told = (told + said).split(b"\n")
                for line in lines:
                    self.change(json.loads(line))
            self._hand_out(now)
            if self.claims and self.claims[0][0] <= now:
                self._claim(now)
            if self.next_report <= now:
                self._report()

    def _due(self) -> float:
        due = min((m.due for m in self.media.values()), default=NEVER)
        if self.claims:
            due = min(due, self.claims[0][0])
        return min(due, self.next_report)

    def _read(self, tap: int, now: float) -> None:
        port = self.ports[tap]
        offer, number, read = port.medium.offer, port.number, os.read
        try:
            for _ in range(BURST):
                offer(now, number, read(tap, LONGEST))
        except BlockingIOError:
            pass
        except OSError:  # the device is going down
            time.sleep(0.001)

    def _hand_out(self, now: float) -> None:
        for medium, ports in self._of_medium.items():
            for number, frame in medium.take(now):
                port = ports[number]
                if not port.plugged:
                    continue
                with suppress(OSError):  # its interface is down
                    os.write(port.tap, frame)
                if port.routes:
                    self._route(port, frame)
                if port.slowed and is_discovery(frame):
                    self._hear(port.station.machine, now)

    @staticmethod
    def _route(port: Port, frame: bytes) -> None:
        for other in port.routes:
            if (onward := one_hop_on(frame, other.station.hardware)) is not None:
                other.say(onward)

    # -- what slowed machines heard -------------------------------------------------------------------

    def _hear(self, machine: str, now: float) -> None:
        self.heard[machine] = self.heard.get(machine, 0) + 1
        if self.next_report == NEVER:
            self.next_report = now + TICK_S

    def _report(self) -> None:
        self.say({"heard": self.heard})
        self.heard, self.next_report = {}, NEVER

    # -- changes --------------------------------------------------------------------------------------

    def change(self, told: dict[str, Any]) -> None:
        """One line of the control pipe."""
        for word, what in told.items():
            getattr(self, f"_set_{word}")(*what)

    def _set_rules(self, link: str, rules: list[dict[str, Any]]) -> None:
        self.media[link].rules = tuple(rule_of(r) for r in rules)

    def _set_carrier(self, machine: str, interface: str, up: bool) -> None:
        port = self._port(machine, interface)
        port.plugged = up  # without a carrier the kernel sends nothing, and would still take what comes
        set_carrier(port.tap, up)

    def _set_claim(self, machine: str, interface: str, address: str, every_s: float) -> None:
        self.claims.append((time.monotonic(), self._port(machine, interface), address, every_s))
        self.claims.sort(key=lambda c: c[0])

    def _claim(self, now: float) -> None:
        _, port, address, every_s = self.claims.pop(0)
        port.say(claim(port.station.hardware, address))
        self.claims.append((now + every_s, port, address, every_s))
        self.claims.sort(key=lambda c: c[0])

    def _port(self, machine: str, interface: str) -> Port:
        wanted = (machine, interface)
        return next(p for p in self.ports.values() if (p.station.machine, p.station.interface) == wanted)


def rule_of(entry: dict[str, Any]) -> Rule:
    """A rule as JSON has it."""
    return Rule(**{**entry, "ports": tuple(entry["ports"])})


def hardware_of(link: int, port: int) -> bytes:
    """An interface's address, locally administered (IEEE 802, 8.4): the same in every run."""
    return bytes([0x02, 0x00, link >> 8 & 0xFF, link & 0xFF, port >> 8 & 0xFF, port & 0xFF])


def _line(fd: int) -> bytes:
    """The first line of a pipe, and not an octet more."""
    line = b""
    while not line.endswith(b"\n"):
        octet = os.read(fd, 1)
        if not octet:
            sys.exit(0)
        line += octet
    return line


def main() -> None:
    """Run until standard input ends."""
    hurry(-15, session=True)  # links must not depend on how busy this computer is
    ctypes.CDLL(None).prctl(_TIMER_SLACK, 1)  # ns: links have delays of less than the usual 50 us

    def say(what: dict[str, Any]) -> None:
        with suppress(BrokenPipeError):
            os.write(1, json.dumps(what).encode() + b"\n")

    switch = Switch(json.loads(_line(0)), say)
    say({"ready": True})
    with suppress(KeyboardInterrupt):
        switch.run(0)
    say({"tally": {name: asdict(medium.tally) for name, medium in switch.media.items()}})


if __name__ == "__main__":
    main()
