"""TAP devices in other namespaces, and sockets that send from there (tun(4), packet(7), setns(2)).

A TAP device lives as long as its file descriptor is open; frames that the machine sends are read from it,
frames written to it are what the machine receives.  Without offloads, so checksums are whole.
"""

from __future__ import annotations

import fcntl
import os
import socket
import struct

from toprung.live.namespaces import inside

# linux/if_tun.h, linux/sockios.h
_SET_INTERFACE, _SET_CARRIER, _SET_HARDWARE = 0x400454CA, 0x400454E2, 0x8924
_TAP, _BARE = 0x0002, 0x1000  # a device of frames; no header before them
_ETHERNET = 1  # ARPHRD_ETHER


def make_tap(pid: int, interface: str, hardware: bytes) -> int:
    """A TAP device in the network namespace of a process; its file descriptor, which does not block."""

    def opened() -> int:
        tap = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)
        name = interface.encode()
        fcntl.ioctl(tap, _SET_INTERFACE, struct.pack("16sH22x", name, _TAP | _BARE))
        fcntl.ioctl(tap, _SET_HARDWARE, struct.pack("16sH6s16x", name, _ETHERNET, hardware))
        return tap

    return inside(pid, opened)


def set_carrier(tap: int, up: bool) -> None:
    """Plug the cable in, or pull it out."""
    fcntl.ioctl(tap, _SET_CARRIER, struct.pack("I", up))


def sender(pid: int, interface: str) -> socket.socket:
    """A socket that sends whole frames from a machine's interface, and receives nothing."""

    def opened() -> socket.socket:
        made = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
        made.bind((interface, 0))
        return made

    return inside(pid, opened)
