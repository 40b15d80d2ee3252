"""Packets of an interface as they pass: a packet socket of Linux, its filter, and its ring of memory.

    with Tap.open("usb0") as tap:
        begin = section() + tap.head
        while (chunk := tap.take(wait_s=1.0)) is not None:
            ...  # pcapng, valid until the next take

The filter and the ring keep the load small: the kernel copies what `toprung.wire` reads, and nothing else,
into memory that is shared with us (Documentation/networking/packet_mmap.rst), with its own time stamps.
"""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
import select
import socket
import struct
import sys
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum

from toprung.errors import LiveError, UsageError
from toprung.live._ring import Ring
from toprung.live.filters import program
from toprung.live.namespaces import inside
from toprung.live.sections import interface as interface_block

ANY = "any"

# linux/if_packet.h, linux/if_ether.h, linux/if_arp.h, linux/sockios.h, asm-generic/socket.h
SOL_PACKET, ADD_MEMBERSHIP, RX_RING, STATISTICS, VERSION = 263, 1, 5, 6, 10
TPACKET_V3, PROMISCUOUS, EVERY_PROTOCOL = 2, 1, 3
GET_FLAGS, GET_HARDWARE, GET_INDEX = 0x8913, 0x8927, 0x8933
IS_UP = 1
ATTACH_FILTER = 26
WITH_ETHERNET_HEADER = {1, 772}  # ARPHRD_ETHER, ARPHRD_LOOPBACK
OURS = 1  # TP_STATUS_USER
B_STATUS = 8  # where it stands in a block
FRAME = 2048  # octets; means nothing to version 3, but must divide a block

ETHERNET_LINK, COOKED_LINK = 1, 276  # link types of captures


class State(StrEnum):
    """How an interface is."""

    UP = "up"
    DOWN = "down"
    GONE = "gone"


@dataclass(frozen=True, slots=True)
class Settings:
    """snap_bytes: kept of a packet.  ring_bytes, block_bytes: memory shared with the kernel.  hold_ms: a
    block that is not full is handed over after this time.  promiscuous: what the network brings is seen,
    also what the machine has not asked for.  offset_ns: added to every time stamp."""

    snap_bytes: int = 1 << 18
    ring_bytes: int = 1 << 25
    block_bytes: int = 1 << 18
    hold_ms: int = 40
    promiscuous: bool = True
    offset_ns: int = 0


@dataclass(frozen=True, slots=True)
class Counts:
    """Packets that passed the filter, and those of them for which the ring had no room."""

    packets: int
    drops: int


class Tap:
    """One interface being listened to.  `number`: of its packets' interface in the capture."""

    def __init__(self, interface: str, pid: int | None, number: int, settings: Settings) -> None:
        self.interface = interface
        self.pid = pid
        self.number = number
        self.settings = settings
        self._packets = self._drops = 0
        self._out = memoryview(mmap.mmap(-1, settings.block_bytes + mmap.PAGESIZE))
        self._begin()

    @classmethod
    def open(
        cls,
        interface: str,
        *,
        netns_pid: int | None = None,
        number: int = 0,
        settings: Settings | None = None,
    ) -> Tap:
        """Listen on an interface ("any": on all of them), of this or another process's network namespace.

        Raises UsageError (no such interface) and LiveError (no privilege, not Linux, no such namespace).
        """
        if not sys.platform.startswith("linux"):
            raise LiveError(
                "packet sockets are Linux's",
                interface,
                "a capture file read with toprung read works anywhere",
            )
        return cls(interface, netns_pid, number, settings or Settings())

    def _begin(self) -> None:
        try:
            self.socket = inside(self.pid, self._opened)
        except OSError as error:
            raise _explained(error, self.interface, self.pid) from None
        self._blocks = max(2, self.settings.ring_bytes // self.settings.block_bytes)
        size = self._blocks * self.settings.block_bytes
        self._ring = memoryview(mmap.mmap(self.socket.fileno(), size))
        self._next = 0
        self._held = False
        self._writer = Ring(self._out, self.number, self.cooked is False, self.settings.offset_ns)
        self._poll = select.poll()
        self._poll.register(self.socket, select.POLLIN | select.POLLERR)
        link = COOKED_LINK if self.cooked else ETHERNET_LINK
        self.head = interface_block(self.interface, link, self.settings.snap_bytes)

    def _opened(self) -> socket.socket:
        """A bound socket with filter and ring, before which no packet slips in.  In the namespace."""
        kind = self._kind()
        self.cooked = kind not in WITH_ETHERNET_HEADER
        opened = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM if self.cooked else socket.SOCK_RAW, 0)
        try:
            _attach(opened, program(ethernet=not self.cooked, snap_bytes=self.settings.snap_bytes))
            opened.setsockopt(SOL_PACKET, VERSION, TPACKET_V3)
            opened.setsockopt(SOL_PACKET, RX_RING, self._request())
            self.index = 0 if self.interface == ANY else _index(opened, self.interface)
            if self.settings.promiscuous and self.index:
                wish = struct.pack("@iHH8s", self.index, PROMISCUOUS, 0, b"")
                opened.setsockopt(SOL_PACKET, ADD_MEMBERSHIP, wish)
            _bind(opened, self.index)
        except BaseException:
            opened.close()
            raise
        return opened

    def _kind(self) -> int:
        """Kind of hardware (ARPHRD_…); 0 for all interfaces together."""
        if self.interface == ANY:
            return 0
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
            try:
                return int(struct.unpack_from("=H", _asked(asking, GET_HARDWARE, self.interface), 16)[0])
            except OSError as error:
                if error.errno != errno.ENODEV:
                    raise
        names = ", ".join([*(name for _, name in socket.if_nameindex()), ANY])
        raise UsageError("there is no such interface", self.interface, f"would be right: {names}")

    def _request(self) -> bytes:
        """struct tpacket_req3."""
        block, blocks = (
            self.settings.block_bytes,
            max(2, self.settings.ring_bytes // self.settings.block_bytes),
        )
        return struct.pack("@7I", block, blocks, FRAME, block // FRAME * blocks, self.settings.hold_ms, 0, 0)

    def fileno(self) -> int:
        """For poll and the like: readable when `take` has something."""
        return self.socket.fileno()

    def take(self, wait_s: float = 0.0) -> memoryview | None:
        """Packets as blocks of pcapng, in a buffer that the next call overwrites; None: there are none yet.

        Waits for them up to `wait_s`.
        """
        if not self._ready():
            if wait_s > 0:
                self._poll.poll(wait_s * 1000)
            if not self._ready():
                return None
        at = self._next * self.settings.block_bytes
        block = self._ring[at : at + self.settings.block_bytes]
        written = self._writer.write(block.toreadonly())
        block[B_STATUS : B_STATUS + 4] = bytes(4)  # the kernel's again
        self._next = (self._next + 1) % self._blocks
        return self._out[:written]

    def _ready(self) -> bool:
        """Whether the next block is ours.  What the kernel wrote before it said so is seen after this: to get
        here, and on to the block, takes locks."""
        at = self._next * self.settings.block_bytes + B_STATUS
        return bool(self._ring[at] & OURS)

    @property
    def packets(self) -> int:
        """Packets taken since the socket was opened last."""
        return int(self._writer.packets)

    @property
    def last_ns(self) -> int:
        """Time of the latest packet taken, with the offset; 0: none."""
        return int(self._writer.last_ns)

    def counts(self) -> Counts:
        """Since it was opened; asking the kernel resets its own count, so it is added up here."""
        packets, drops, _ = struct.unpack("@3I", self.socket.getsockopt(SOL_PACKET, STATISTICS, 12))
        self._packets += packets
        self._drops += drops
        return Counts(self._packets, self._drops)

    def state(self) -> State:
        """Whether the interface is there and up; asking clears the socket's pending error."""
        with suppress(OSError):
            self.socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if self.interface == ANY:
            return State.UP
        try:
            if _index(self.socket, self.interface) != self.index:
                return State.GONE  # another interface has its name now
            flags = struct.unpack_from("=H", _asked(self.socket, GET_FLAGS, self.interface), 16)[0]
        except OSError:
            return State.GONE
        return State.UP if flags & IS_UP else State.DOWN

    def reopen(self) -> bool:
        """Listen to what bears the interface's name now; False while there is none.

        The capture goes on under the same interface number, so its link type must be the same.
        """
        self.counts()
        was, old = self.cooked, self.socket
        try:
            self._begin()
        except (UsageError, LiveError):
            return False
        old.close()
        return self.cooked is was

    def close(self) -> None:
        """Stop listening."""
        self.socket.close()

    def __enter__(self) -> Tap:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _asked(asking: socket.socket, what: int, interface: str) -> bytes:
    """A struct ifreq with the kernel's answer."""
    import fcntl

    name = os.fsencode(interface)
    if not name or len(name) > 15:
        raise OSError(errno.ENODEV, "no such device")
    return fcntl.ioctl(asking.fileno(), what, struct.pack("16s24x", name))


def _index(asking: socket.socket, interface: str) -> int:
    return int(struct.unpack_from("=i", _asked(asking, GET_INDEX, interface), 16)[0])


def _attach(opened: socket.socket, instructions: bytes) -> None:
    held = ctypes.create_string_buffer(instructions)
    wish = struct.pack("@HP", len(instructions) // 8, ctypes.addressof(held))
    opened.setsockopt(socket.SOL_SOCKET, ATTACH_FILTER, wish)


def _bind(opened: socket.socket, index: int) -> None:
    """To one interface, or with index 0 to all: struct sockaddr_ll, which Python cannot name without one."""
    address = struct.pack("=HHiHBB8s", socket.AF_PACKET, socket.htons(EVERY_PROTOCOL), index, 0, 0, 0, b"")
    if ctypes.CDLL(None, use_errno=True).bind(opened.fileno(), address, len(address)):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def _explained(error: OSError, interface: str, pid: int | None) -> LiveError:
    if error.errno in (errno.EPERM, errno.EACCES):
        if pid is not None:
            return LiveError(
                f"the network of process {pid} may not be entered",
                interface,
                "root, or CAP_SYS_ADMIN with CAP_NET_RAW, would be right",
            )
        python = os.path.realpath("/proc/self/exe")  # a capability belongs to the program, not to a link
        return LiveError(
            "listening needs the privilege CAP_NET_RAW",
            interface,
            f"grant it with: sudo setcap cap_net_raw+ep {python}",
        )
    if pid is not None and error.errno in (errno.ENOENT, errno.ESRCH):
        return LiveError(f"process {pid} has ended", interface, "a running process would be right")
    return LiveError(
        f"it cannot be listened to: {os.strerror(error.errno or 0)}",
        interface,
        "an interface of this machine would be right",
    )
