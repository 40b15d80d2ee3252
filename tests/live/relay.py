"""A link that is slow or bursty: frames between two interfaces pass through a Python process.

The kernel here has no delay queue, so the access point hands the frames of one port to this relay, which
holds each for a while.  Run inside the access point: `python relay.py IN OUT DELAY_MS BURST_MS`.
"""

from __future__ import annotations

import collections
import fcntl
import select
import socket
import struct
import sys
import time
from collections.abc import Callable

_SIOCETHTOOL, _ETHTOOL_STXCSUM = 0x8946, 0x17
_ALL_PROTOCOLS, _PACKET_OUTGOING = 0x0003, 4


def checksums_off(interface: str) -> None:
    """Have the kernel finish checksums before it hands frames on (struct ethtool_value)."""
    import array

    value = array.array("I", [_ETHTOOL_STXCSUM, 0])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
        fcntl.ioctl(s, _SIOCETHTOOL, struct.pack("16sP", interface.encode(), value.buffer_info()[0]))


def relay(one: str, other: str, delay_s: float, burst_s: float) -> None:
    """Pass frames both ways; hold each `delay_s`, and let go only at the ends of bursts if `burst_s` > 0."""
    sockets = {}
    for name in (one, other):
        s = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(_ALL_PROTOCOLS))
        s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
        s.bind((name, _ALL_PROTOCOLS))
        sockets[name] = s
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
            where.run("python3", __file__, "checksums", name)
        for m in run.plan.stations():
            run.machine(m).run("python3", __file__, "checksums", "wlan0")
        run.lab.others.append(run.lab.start(ap, "python3", __file__, machine[:12], "inner", str(delay_ms),
                                            str(burst_ms), log="relay.log"))

    return fault


if __name__ == "__main__":
    if sys.argv[1] == "checksums":
        checksums_off(sys.argv[2])
    else:
        relay(sys.argv[1], sys.argv[2], float(sys.argv[3]) / 1000, float(sys.argv[4]) / 1000)
