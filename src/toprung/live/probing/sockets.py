"""The probe's sockets: the domain's ports where they are free, exact arrival times, fragments or none.

Linux numbers that Python's `socket` does not name are from include/uapi/linux/in.h and asm-generic/socket.h.
"""

from __future__ import annotations

import array
import errno
import fcntl
import socket
import time
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Interface
from struct import Struct

from toprung.live.probing.responder import Door
from toprung.wire.ports import LAST_PORT, PortKind, last_index, port

GROUP = "239.255.0.1"  # DDSI-RTPS 2.5, 9.6.2.4
TRIED_INDICES = 20  # participant indices at whose ports a server may be found
KINDS = {
    Door.DISCOVERY: PortKind.DISCOVERY_UNICAST,
    Door.USER: PortKind.USER_UNICAST,
    Door.DISCOVERY_GROUP: PortKind.DISCOVERY_MULTICAST,
    Door.USER_GROUP: PortKind.USER_MULTICAST,
}
ROUTED_HOPS = 32
BUFFER_BYTES = 4 << 20
SAME_CLOCK_NS = 2_000_000  # the kernel's stamps within so much of the program's clock are the same clock's

IP_MTU_DISCOVER = 10
PMTUDISC_PROBE = 3  # never fragment, whatever is known of the path
PMTUDISC_OMIT = 5  # fragment at the interface's MTU, whatever is known of the path
IP_MTU = 14
IP_MULTICAST_ALL = 49
SO_RXQ_OVFL = 40
SO_TIMESTAMPNS = 35
SO_RCVBUFFORCE = 33
SIOCGIFMTU = 0x8921
SIOCGIFCONF = 0x8912
SIOCGIFNETMASK = 0x891B
MOST_ADDRESSES = 256
_ENTRY = Struct("16sHH4s16x")  # struct ifreq with a sockaddr_in
_NUMBER = Struct("16xi20x")  # and with a number
_LIST = Struct("iP")  # struct ifconf
_TIMESPEC = Struct("@ll")
_OVERFLOW = Struct("I")


@dataclass(frozen=True, slots=True)
class Nic:
    """One address of one interface."""

    interface: str
    address: str
    prefix_length: int
    mtu_bytes: int

    def shares(self, host: str) -> bool:
        """Whether the host is in its subnet."""
        return IPv4Address(host) in IPv4Interface(f"{self.address}/{self.prefix_length}").network


def nics() -> tuple[Nic, ...]:
    """This machine's IPv4 addresses, loopback last (netdevice(7))."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        space = array.array("B", bytes(_ENTRY.size * MOST_ADDRESSES))
        wanted = _LIST.pack(len(space), space.buffer_info()[0])
        used, _ = _LIST.unpack(fcntl.ioctl(asking, SIOCGIFCONF, wanted))
        for name, _, _, address in _ENTRY.iter_unpack(space.tobytes()[:used]):
            with suppress(OSError):  # it has gone meanwhile
                (mtu,) = _NUMBER.unpack(fcntl.ioctl(asking, SIOCGIFMTU, name.ljust(_ENTRY.size, b"\0")))
                mask = fcntl.ioctl(asking, SIOCGIFNETMASK, name.ljust(_ENTRY.size, b"\0"))
                length = int.from_bytes(_ENTRY.unpack(mask)[3]).bit_count()
                label = name.rstrip(b"\0").decode().partition(":")[0]
                found.append(Nic(label, str(IPv4Address(address)), length, mtu))
    return tuple(sorted(found, key=lambda n: n.address.startswith("127.")))


def nic_towards(host: str) -> Nic | None:
    """The address that this machine speaks to a host from; None where there is no way."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect((host, 9))
            address = asking.getsockname()[0]
        except OSError:
            return None
    return next((n for n in nics() if n.address == address), None)


@dataclass(frozen=True, slots=True)
class Opened:
    """A listening socket, and whether its port is the domain's own."""

    socket: socket.socket
    port: int
    real: bool


def open_doors(domain: int, joined: tuple[str, ...]) -> dict[Door, Opened]:
    """All four listening sockets; multicast is joined on the interfaces of these addresses.

    Unicast takes the first participant index of which both ports are free, as middleware does.
    """
    doors = dict(zip((Door.DISCOVERY, Door.USER), _unicast_pair(domain), strict=True))
    for door in (Door.DISCOVERY_GROUP, Door.USER_GROUP):
        doors[door] = _group_door(port(domain, KINDS[door]), joined)
    return doors


def _unicast_pair(domain: int) -> tuple[Opened, Opened]:
    for index in range(min(last_index(domain) + 1, TRIED_INDICES)):
        pair = [_bound(port(domain, KINDS[door], index)) for door in (Door.DISCOVERY, Door.USER)]
        if pair[0] and pair[1]:
            return Opened(*pair[0], True), Opened(*pair[1], True)
        for taken in pair:
            if taken:
                taken[0].close()
    return _substitute(), _substitute()


def _substitute() -> Opened:
    """Any free port."""
    bound = _bound(0)
    if bound is None:
        raise OSError(errno.EADDRINUSE, "no UDP port is free")
    return Opened(*bound, False)


def _bound(number: int, shared: bool = False) -> tuple[socket.socket, int] | None:
    """A socket at that port, 0: any; None where it is taken."""
    made = _plain_socket()
    if shared:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind(("", number))
    except OSError as error:
        made.close()
        if error.errno in (errno.EADDRINUSE, errno.EACCES):
            return None
        raise
    return made, made.getsockname()[1]


def _group_door(number: int, joined: tuple[str, ...]) -> Opened:
    """Multicast ports are shared, as middleware shares them."""
    bound = _bound(number, shared=True) if number <= LAST_PORT else None
    opened = Opened(*bound, True) if bound else _substitute()
    opened.socket.setsockopt(socket.IPPROTO_IP, IP_MULTICAST_ALL, 0)
    for address in joined:
        wanted = socket.inet_aton(GROUP) + socket.inet_aton(address)
        with suppress(OSError):  # an interface that cannot multicast; the check will say so
            opened.socket.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, wanted)
    return opened


def learned_mtu(host: str) -> int | None:
    """The MTU that the kernel knows of the way to a host: the interface's, or less if a router said so."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect((host, 9))
            return asking.getsockopt(socket.IPPROTO_IP, IP_MTU)
        except OSError:
            return None


def sending_socket() -> socket.socket:
    """From a port of its own."""
    made = _plain_socket()
    made.bind(("", 0))
    return made


def set_whole(to: socket.socket, whole: bool) -> None:
    """Whether what it sends stays in one packet (EMSGSIZE above the interface's MTU) or may be fragmented."""
    to.setsockopt(socket.IPPROTO_IP, IP_MTU_DISCOVER, PMTUDISC_PROBE if whole else PMTUDISC_OMIT)


def multicast_from(to: socket.socket, nic: Nic, host: str) -> None:
    """Multicast leaves by this interface; with more than one hop only if the host is behind a router."""
    to.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(nic.address))
    hops = 1 if nic.shares(host) else ROUTED_HOPS
    to.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, hops)


def _plain_socket() -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    made.setblocking(False)
    made.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
    made.setsockopt(socket.SOL_SOCKET, SO_RXQ_OVFL, 1)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)
    with suppress(OSError):  # beyond the system's limit, with the privilege
        made.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, BUFFER_BYTES)
    set_whole(made, False)
    return made


@dataclass(frozen=True, slots=True)
class Received:
    """One datagram as the kernel handed it over."""

    octets: memoryview
    host: str
    port: int
    received_ns: int
    overflow: int


class Receiver:
    """Reads datagrams with their arrival times, by the clock that `time.time_ns` reads."""

    def __init__(self) -> None:
        self.buffer = bytearray(1 << 16)
        self.shift_ns = _stamp_shift_ns()

    def take(self, source: socket.socket) -> Received | None:
        """The next datagram; None where there is none."""
        try:
            size, extra, _, sender = source.recvmsg_into([self.buffer], 128)
        except OSError:  # nothing there, or an ICMP answer to something sent before
            return None
        stamp, overflow = time.time_ns(), 0
        for level, kind, data in extra:
            if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS:
                seconds, ns = _TIMESPEC.unpack_from(data)
                stamp = seconds * 1_000_000_000 + ns + self.shift_ns
            elif level == socket.SOL_SOCKET and kind == SO_RXQ_OVFL:
                (overflow,) = _OVERFLOW.unpack_from(data)
        host, number = sender[:2]
        return Received(memoryview(self.buffer)[:size], host, number, stamp, overflow)


def _stamp_shift_ns() -> int:
    """What to add to the kernel's stamps to have the program's clock, which may be another one.

    The least of some datagrams to ourselves; 0 where both are the same clock.
    """
    least = None
    with _plain_socket() as own:
        own.bind(("127.0.0.1", 0))
        own.settimeout(0.2)
        for _ in range(16):
            own.sendto(b"?", own.getsockname())
            try:
                _, extra, _, _ = own.recvmsg(16, 128)
            except OSError:
                return 0
            now = time.time_ns()
            for level, kind, data in extra:
                if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS:
                    seconds, ns = _TIMESPEC.unpack_from(data)
                    apart = now - seconds * 1_000_000_000 - ns
                    least = apart if least is None else min(least, apart)
    return 0 if least is None or abs(least) < SAME_CLOCK_NS else least
