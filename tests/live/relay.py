"""Links that are slow or bursty, and a router of multicast: frames pass through a Python process.

    python relay.py relay IN OUT DELAY_MS BURST_MS     hold every frame for a while
    python relay.py route ONE OTHER                    pass multicast UDP on, one hop less to live
    python relay.py checksums INTERFACE                finish checksums before frames are handed on

Neither a delay queue nor a multicast routing daemon is needed on the computer that runs the tests.
"""

from __future__ import annotations

import array
import collections
import fcntl
import select
import socket
import struct
import sys
import time
from collections.abc import Callable

from toprung.rehearse.frames import one_hop_on

_SIOCETHTOOL, _ETHTOOL_STXCSUM = 0x8946, 0x17
_ALL_PROTOCOLS, _PACKET_OUTGOING = 0x0003, 4


def checksums_off(interface: str) -> None:
    """Have the kernel finish checksums before it hands frames on (struct ethtool_value)."""
    value = array.array("I", [_ETHTOOL_STXCSUM, 0])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
        fcntl.ioctl(s, _SIOCETHTOOL, struct.pack("16sP", interface.encode(), value.buffer_info()[0]))


def relay(one: str, other: str, delay_s: float, burst_s: float) -> None:
    """Pass frames both ways; hold each `delay_s`, and let go only at the ends of bursts if `burst_s` > 0."""
    sockets = {n: packet_socket(n) for n in (one, other)}
    towards = {sockets[one]: sockets[other], sockets[other]: sockets[one]}
    held: collections.deque = collections.deque()
    while True:
        wait = max(0.0, held[0][0] - time.monotonic()) if held else 1.0
        for s in select.select(list(towards), [], [], wait)[0]:
            frame, (_, _, kind, *_rest) = s.recvfrom(65536)
            if kind != _PACKET_OUTGOING:
                due = time.monotonic() + delay_s
                if burst_s:
                    due = (due // burst_s + 1) * burst_s
                held.append((due, towards[s], frame))
        while held and held[0][0] <= time.monotonic():
            _, out, frame = held.popleft()
            out.send(frame)


def route(one: str, other: str) -> None:
    """Pass multicast UDP between two networks as a router does: TTL less one, dropped when it is spent."""
    sockets = {n: packet_socket(n) for n in (one, other)}
    towards = {sockets[one]: sockets[other], sockets[other]: sockets[one]}
    while True:
        for s in select.select(list(towards), [], [])[0]:
            frame, (_, _, kind, *_rest) = s.recvfrom(65536)
            if kind == _PACKET_OUTGOING:
                continue
            if (onward := one_hop_on(frame, towards[s].getsockname()[4])) is not None:
                towards[s].send(onward)


def packet_socket(interface: str) -> socket.socket:
    s = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(_ALL_PROTOCOLS))
    s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
    s.bind((interface, _ALL_PROTOCOLS))
    return s


def router_of_multicast(run) -> None:
    """A fault's counterpart: the companion passes multicast between the cable and the air."""
    for machine in ("cartbase", "cartbrain", "desk"):
        for interface in run.plan.interfaces(machine):
            run.machine(machine).run(sys.executable, __file__, "checksums", interface)
    brain = run.machine("cartbrain")
    run.lab.others.append(
        run.lab.start(brain, sys.executable, __file__, "route", "usb0", "wlan0", log="router.log")
    )


def bridge_in_relay(machine: str, interface: str, delay_ms: float, burst_ms: float = 0) -> Callable:
    """A fault: the air between a machine and the access point's bridge goes through the relay."""

    def fault(run) -> None:
        ap, station = run.machine("ap"), run.machine(machine)
        ap.run("ip", "link", "set", machine[:12], "nomaster")
        ap.run("ip", "link", "add", "inner", "type", "veth", "peer", "name", "outer")
        ap.run("ip", "link", "set", "outer", "master", "wlan")
        for name in ("inner", "outer", machine[:12]):
            ap.run("ip", "link", "set", name, "up", "promisc", "on")
        for where, name in ((ap, "inner"), (ap, "outer"), (ap, machine[:12]), (station, interface)):
            where.run(sys.executable, __file__, "checksums", name)
        for m in run.plan.stations():
            run.machine(m).run(sys.executable, __file__, "checksums", "wlan0")
        run.lab.others.append(
            run.lab.start(
                ap,
                sys.executable,
                __file__,
                "relay",
                machine[:12],
                "inner",
                str(delay_ms),
                str(burst_ms),
                log="relay.log",
            )
        )

    return fault


COMMANDS = {
    "checksums": checksums_off,
    "route": route,
    "relay": lambda one, other, delay, burst: relay(one, other, float(delay) / 1000, float(burst) / 1000),
}

if __name__ == "__main__":
    COMMANDS[sys.argv[1]](*sys.argv[2:])
