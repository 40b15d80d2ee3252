"""The asking side's sockets: a session with a server, datagrams sent in their time, answers collected."""

from __future__ import annotations

import errno
import secrets
import selectors
import socket
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import NamedTuple

from toprung.errors import UsageError
from toprung.live.probing import messages
from toprung.live.probing.counting import Window
from toprung.live.probing.keys import Keys, first_keys, session_keys
from toprung.live.probing.messages import Ask, Beacon, Body, Bye, Hello, Ping, Pong, Report, Welcome
from toprung.live.probing.responder import Door
from toprung.live.probing.sockets import (
    GROUP,
    KINDS,
    TRIED_INDICES,
    Nic,
    Opened,
    Received,
    Receiver,
    multicast_from,
    nic_towards,
    open_doors,
    sending_socket,
    set_whole,
)
from toprung.wire.ports import LAST_PORT, port

HELLO_EVERY_S = 0.25
REPORT_TRIES = 6
PATIENCE_S = 0.25  # for a report


class Came(NamedTuple):
    """An answer with the fourth time stamp.  `door` None: it came back where the request was sent from."""

    pong: Pong
    back_ns: int
    size_bytes: int
    door: Door | None
    overflow: int


@dataclass(slots=True)
class Knocking:
    """What came of asking for a session."""

    hellos: int = 0  # to each port
    beacons: int = 0  # signs of life that arrived by multicast
    beacons_direct: int = 0  # and by unicast
    heard_unicast: bool = False  # by the server, of ours
    heard_group: bool = False
    unreachable: str = ""  # what the kernel said, if it knew no way


@dataclass(frozen=True, slots=True)
class Target:
    """Whom to ask.  `port` 0: the domain's ports are tried."""

    host: str
    port: int
    domain: int
    nic: Nic


@dataclass(slots=True)
class _Session:
    name: bytes
    keys: Keys
    welcome: Welcome
    window: Window = field(default_factory=Window)
    number: int = 0
    last_s: float = 0.0


class Prober:
    """One prober; `open_prober` makes it."""

    def __init__(self, target: Target, key: str, doors: dict[Door, Opened]) -> None:
        self.target = target
        self.key = key
        self.first = first_keys(key)
        self.doors = doors
        self.receiver = Receiver()
        self.out = sending_socket()
        multicast_from(self.out, target.nic, target.host)
        self.waiting = selectors.DefaultSelector()
        self.waiting.register(self.out, selectors.EVENT_READ, None)
        for door, opened in doors.items():
            self.waiting.register(opened.socket, selectors.EVENT_READ, door)
        self.knocking = Knocking()
        self.came: dict[int, list[Came]] = defaultdict(list)
        self.reports: dict[int, Report] = {}
        self._nonce = secrets.token_bytes(messages.NONCE_BYTES)
        self._session: _Session | None = None
        self._streams = 0

    # a session

    def knock(self, seconds: float) -> bool:
        """Ask for a session until one is granted or the time is over."""
        end = time.monotonic() + seconds
        while self._session is None and (now := time.monotonic()) < end:
            self._hello()
            self.wait(min(end, now + HELLO_EVERY_S), lambda: self._session is not None)
        return self._session is not None

    @property
    def welcome(self) -> Welcome:
        """What the server offers; there is a session."""
        assert self._session is not None
        return self._session.welcome

    def port_of(self, door: Door) -> int:
        """The server's port."""
        w = self.welcome
        return (w.discovery_port, w.user_port, w.discovery_group_port, w.user_group_port)[door]

    def _hello(self) -> None:
        hello = Hello(
            self._nonce, self.knocking.hellos, self.target.domain, socket.inet_aton(self.target.host)
        )
        octets = messages.sealed(hello, self.first.asking, size_bytes=messages.HELLO_BYTES)
        self.knocking.hellos += 1
        domain, host = self.target.domain, self.target.host
        numbers = [port(domain, KINDS[Door.DISCOVERY], i) for i in range(TRIED_INDICES)]
        for number in [self.target.port] if self.target.port else numbers:
            if number <= LAST_PORT:
                self._send(octets, (host, number))
        self._send(octets, (GROUP, port(domain, KINDS[Door.DISCOVERY_GROUP])))

    # sending

    def stream(self) -> int:
        """A number for one more kind of datagram that is counted by itself."""
        self._streams += 1
        return self._streams

    def ping(self, ping: Ping, door: Door, size_bytes: int, whole: bool = False) -> bool:
        """Send one to a port of the server; False where it is too large for the interface."""
        target = (GROUP if door.group else self.target.host, self.port_of(door))
        set_whole(self.out, whole)
        return self._send(self._sealed(ping, size_bytes), target)

    def _sealed(self, body: Body, size_bytes: int = 0) -> bytes:
        session = self._session
        assert session is not None
        session.number += 1
        return messages.sealed(body, session.keys.asking, session.name, session.number, size_bytes)

    def _send(self, octets: bytes, target: tuple[str, int]) -> bool:
        """False where it is too large; what the network refuses otherwise is as good as lost."""
        for pause_s in (0.001, 0.0):
            try:
                self.out.sendto(octets, target)
            except OSError as error:
                if error.errno == errno.EMSGSIZE:
                    return False
                if error.errno in (errno.EAGAIN, errno.ENOBUFS) and pause_s:
                    time.sleep(pause_s)  # the interface's queue is full
                    continue
                self.knocking.unreachable = error.strerror or "unreachable"
            break
        return True

    def report(self, stream: int) -> Report | None:
        """What the server counted of a stream, by whichever way the question gets there."""
        self.reports.pop(stream, None)
        ways = (Door.DISCOVERY, Door.USER, Door.DISCOVERY_GROUP)
        for attempt in range(REPORT_TRIES):
            door = ways[attempt % len(ways)]
            target = (GROUP if door.group else self.target.host, self.port_of(door))
            set_whole(self.out, False)
            self._send(self._sealed(Ask(stream), messages.REPORT_BYTES), target)
            if self.wait(time.monotonic() + PATIENCE_S, lambda: stream in self.reports):
                return self.reports[stream]
        return None

    # receiving

    def wait(self, until_s: float, enough: Callable[[], bool] = lambda: False) -> bool:
        """Take what comes until then, or until it is enough; whether it was."""
        while not enough():
            left = until_s - time.monotonic()
            if left <= 0:
                self._take(0)
                return enough()
            self._take(left)
        return True

    def _take(self, seconds: float) -> None:
        for key, _ in self.waiting.select(seconds):
            source: socket.socket = key.fileobj  # type: ignore[assignment]
            while (got := self.receiver.take(source)) is not None:
                self._file(got, key.data)

    def _file(self, got: Received, door: Door | None) -> None:
        known = messages.kind_and_session(got.octets)
        if known is None:
            return
        kind, name = known
        if kind in (Welcome, Beacon):
            message = messages.opened(got.octets, self.first.answering)
            if message is not None and got.host == self.target.host:
                self._meet(message, door)
            return
        session = self._session
        if session is None or name != session.name or kind not in (Pong, Report):
            return
        message = messages.opened(got.octets, session.keys.answering)
        if message is None or not session.window.fresh(message.number):
            return
        session.last_s = time.monotonic()
        if isinstance(message.body, Report):
            self.reports[message.body.stream] = message.body
        elif isinstance(message.body, Pong):
            came = Came(message.body, got.received_ns, message.size_bytes, door, got.overflow)
            self.came[message.body.stream].append(came)

    def _meet(self, message: messages.Message, door: Door | None) -> None:
        body = message.body
        if isinstance(body, Beacon):
            if door is not None and door.group:
                self.knocking.beacons += 1
            else:
                self.knocking.beacons_direct += 1
            bits = dict(body.heard).get(self._nonce[:8], 0)
            self.knocking.heard_unicast |= bool(bits & 1)
            self.knocking.heard_group |= bool(bits & 2)
        elif isinstance(body, Welcome) and body.asked == self._nonce and self._session is None:
            name, keys = session_keys(self.key, body.asked, body.nonce)
            if name == message.session:
                self._session = _Session(name, keys, body, last_s=time.monotonic())

    def close(self) -> None:
        if self._session is not None:
            with suppress(OSError):
                self._send(self._sealed(Bye()), (self.target.host, self.port_of(Door.DISCOVERY)))
        self.waiting.close()
        self.out.close()
        for opened in self.doors.values():
            opened.socket.close()


@contextmanager
def open_prober(host: str, number: int, domain: int, key: str) -> Iterator[Prober]:
    """A prober with its ports open.  UsageError where there is no way to the host."""
    try:
        address = socket.getaddrinfo(host, None, socket.AF_INET, socket.SOCK_DGRAM)[0][4][0]
    except OSError:
        says = "no such host, or it has no IPv4 address"
        raise UsageError(says, host, "an address that `toprung probe serve` printed would be right") from None
    nic = nic_towards(str(address))
    if nic is None:
        raise UsageError(
            "no interface of this machine leads there",
            host,
            "an address of a link that both share, or a route",
        )
    prober = Prober(Target(str(address), number, domain, nic), key, open_doors(domain, (nic.address,)))
    try:
        yield prober
    finally:
        prober.close()
