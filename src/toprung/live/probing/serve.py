"""The serving side's sockets and clock: `toprung probe serve`."""

from __future__ import annotations

import errno
import secrets
import selectors
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from toprung.live.probing.keys import fingerprint
from toprung.live.probing.limits import Limits
from toprung.live.probing.messages import NONCE_BYTES, Welcome
from toprung.live.probing.responder import Answer, Arrival, Door, Moment, Post, Responder
from toprung.live.probing.sockets import (
    GROUP,
    KINDS,
    TRIED_INDICES,
    Nic,
    Opened,
    Receiver,
    multicast_from,
    nic_towards,
    nics,
    open_doors,
    sending_socket,
    set_whole,
)
from toprung.model.probe import Caller, Party, Served
from toprung.wire.ports import LAST_PORT, port

BEACON_S = 1.0
AT_ONCE = 64  # datagrams of one socket before the others have their turn


@dataclass(frozen=True, slots=True)
class Order:
    """What a server is told."""

    key: str
    domain: int = 0
    limits: Limits = field(default_factory=Limits)
    interfaces: tuple[str, ...] = ()  # to join multicast on; empty: all
    towards: tuple[str, ...] = ()  # hosts that get the signs of life by unicast, too


class Server:
    """Sockets open at `open_server`, answers in `run`."""

    def __init__(self, order: Order, doors: dict[Door, Opened], own: tuple[Nic, ...]) -> None:
        self.order = order
        self.doors = doors
        self.own = own
        self.sender = sending_socket()
        self.receiver = Receiver()
        post = Post(order.key, order.domain, frozenset(n.address for n in nics()), self._offer())
        self.responder = Responder(post, order.limits, lambda: secrets.token_bytes(NONCE_BYTES), self._mtu)
        self.started = _now()
        self._nics: dict[str, Nic | None] = {}

    def _offer(self) -> Welcome:
        limits, doors = self.order.limits, self.doors
        return Welcome(
            asked=bytes(NONCE_BYTES),
            nonce=bytes(NONCE_BYTES),
            discovery_port=doors[Door.DISCOVERY].port,
            user_port=doors[Door.USER].port,
            discovery_group_port=doors[Door.DISCOVERY_GROUP].port,
            user_group_port=doors[Door.USER_GROUP].port,
            real_ports=sum(doors[door].real << door for door in Door),
            most_per_s=limits.answers_per_s,
            most_bytes_per_s=limits.answered_bytes_per_s,
            interface_mtu_bytes=0,
            seconds=limits.session_s,
            addresses=tuple(n.address for n in self.own),
            name=socket.gethostname(),
        )

    @property
    def addresses(self) -> tuple[str, ...]:
        """Where it can be reached, loopback left out if there is more."""
        outside = tuple(n.address for n in self.own if not n.address.startswith("127."))
        return outside or tuple(n.address for n in self.own)

    @property
    def ports(self) -> tuple[str, ...]:
        """Its ports in words."""
        return tuple(
            f"{KINDS[door]}: port {o.port}"
            + ("" if o.real else ", standing in for the domain's, which is taken")
            for door, o in self.doors.items()
        )

    def run(self, say: Callable[[str], None]) -> str:
        """Answer until idle or total time is over; returns which.  Ends at KeyboardInterrupt, too."""
        limits = self.order.limits
        busy_s = beacon_s = self.started.steady_s
        told = 0
        with selectors.DefaultSelector() as waiting:
            for door, opened in self.doors.items():
                waiting.register(opened.socket, selectors.EVENT_READ, door)
            while True:
                for key, _ in waiting.select(timeout=BEACON_S / 4):
                    self._drain(key.fileobj, key.data)  # type: ignore[arg-type]
                now = _now()
                if self.responder.active(now):
                    busy_s = now.steady_s
                if now.steady_s >= beacon_s:
                    self._send_beacons(now)
                    beacon_s = now.steady_s + BEACON_S
                    told = self._tell(told, say)
                if now.steady_s - busy_s > limits.idle_s:
                    return f"nobody came for {limits.idle_s:.0f} s"
                if now.steady_s - self.started.steady_s > limits.total_s:
                    return f"{limits.total_s:.0f} s are over"

    def served(self, label: str) -> Served:
        """The account of this run."""
        seconds = time.monotonic() - self.started.steady_s
        callers = tuple(Caller(p.host, p.unicast, p.group, p.confirmed) for p in self.responder.peers())
        party = Party(socket.gethostname(), tuple(n.address for n in self.own))
        order = self.order
        return Served(
            label, self.started.wall_ns, seconds, order.domain, fingerprint(order.key), party, callers
        )

    def close(self) -> None:
        for opened in self.doors.values():
            opened.socket.close()
        self.sender.close()

    def _drain(self, source: socket.socket, door: Door) -> None:
        for _ in range(AT_ONCE):
            got = self.receiver.take(source)
            if got is None:
                return
            arrival = Arrival(got.host, got.port, door, got.received_ns, got.overflow)
            answer = self.responder.feed(got.octets, arrival, _now())
            if answer is not None:
                self._send(answer)

    def _send(self, answer: Answer) -> None:
        sender = self.sender if answer.door is None else self.doors[answer.door].socket
        set_whole(sender, answer.whole)
        target = (answer.host, answer.port)
        if answer.group:
            nic = self._nic(answer.host)
            if nic is None:
                return
            multicast_from(sender, nic, answer.host)
            target = (GROUP, answer.port)
        try:
            sender.sendto(answer.octets, target)
        except OSError as error:
            if error.errno == errno.EMSGSIZE:
                self.responder.unsent(answer)

    def _send_beacons(self, now: Moment) -> None:
        octets = self.responder.beacon(now)
        sender = self.sender
        set_whole(sender, False)
        for nic in self.own:
            with suppress(OSError):
                multicast_from(sender, nic, nic.address)
                sender.sendto(octets, (GROUP, self.doors[Door.DISCOVERY_GROUP].port))
        for host in self.order.towards:
            for index in range(TRIED_INDICES):
                number = port(self.order.domain, KINDS[Door.DISCOVERY], index)
                with suppress(OSError):
                    if number <= LAST_PORT:
                        sender.sendto(octets, (host, number))

    def _tell(self, told: int, say: Callable[[str], None]) -> int:
        peers = self.responder.peers()
        for peer in peers[told:]:
            say(f"{peer.host} probes")
        return len(peers)

    def _nic(self, host: str) -> Nic | None:
        if host not in self._nics:
            self._nics[host] = nic_towards(host)
        return self._nics[host]

    def _mtu(self, host: str) -> int:
        nic = self._nic(host)
        return nic.mtu_bytes if nic else 0


@contextmanager
def open_server(order: Order) -> Iterator[Server]:
    """A server with its ports open."""
    own = tuple(n for n in nics() if not order.interfaces or n.interface in order.interfaces)
    server = Server(order, open_doors(order.domain, tuple(n.address for n in own)), own)
    try:
        yield server
    finally:
        server.close()


def _now() -> Moment:
    return Moment(time.time_ns(), time.monotonic())
