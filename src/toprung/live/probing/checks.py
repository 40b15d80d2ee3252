"""What a prober tries: the domain's ports, sizes, and datagrams in a row."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import ceil, log

from toprung.live.probing.messages import LEAST_ASKING_BYTES, MOST_BYTES, Flag, Ping, Report
from toprung.live.probing.prober import Came, Prober
from toprung.live.probing.responder import Door
from toprung.live.probing.search import greatest
from toprung.live.probing.sockets import KINDS
from toprung.model.probe import PortCheck, SizeCheck

TRIES = 5  # datagrams to each port
SPACING_S = 0.01
PATIENCE_S = 0.3  # for the last answer; a way that takes longer is of no use to a robot
SURE = 1e-4  # chance that chance alone loses all tries of one size
LEAST_SIZE_TRIES = 3
MOST_SIZE_TRIES = 10
SIZE_SPACING_S = 0.004
SIZE_PATIENCE_S = 0.15
LAST_S = 0.5
IP_UDP_BYTES = 28  # RFC 791 without options, RFC 768


@dataclass(frozen=True, slots=True)
class Path:
    """Which ways work: what later checks use."""

    door: Door  # of the server, for what goes there
    reply_port: int  # 0: answers only come back where requests were sent from
    flags: Flag


# ports


def check_ports(prober: Prober) -> tuple[tuple[PortCheck, ...], tuple[PortCheck, ...]]:
    """Every kind of port, there and back.  Answers come from a port that was never sent to, so that a
    firewall cannot take them for the answers that they are: middleware's datagrams are none either.
    Where nothing gets there to be answered, answers are asked for by another port."""
    there = {door: _Tried.of(prober, door, door) for door in Door}
    open_doors = [door for door, tried in there.items() if tried.arrived]
    back = {
        door: tried if tried.answered or not open_doors else _Tried.of(prober, open_doors[0], door)
        for door, tried in there.items()
    }
    real = prober.welcome.real_ports
    return (
        tuple(
            PortCheck(str(KINDS[d]), prober.port_of(d), bool(real >> d & 1), d.group, TRIES, there[d].arrived)
            for d in Door
        ),
        tuple(
            PortCheck(
                str(KINDS[d]),
                prober.doors[d].port,
                prober.doors[d].real,
                d.group,
                back[d].answered,
                back[d].back if back[d].answered else None,
            )
            for d in Door
        ),
    )


@dataclass(frozen=True, slots=True)
class _Tried:
    """Requests to one of the server's ports, answered to one of ours."""

    arrived: int | None  # None: nobody could tell
    answered: int
    back: int

    @classmethod
    def of(cls, prober: Prober, door: Door, home: Door) -> _Tried:
        stream = prober.stream()
        flags = Flag.FRESH | (Flag.GROUP if home.group else Flag.NONE)
        number = prober.doors[home].port
        for sample in range(TRIES):
            ping = Ping(stream, sample, 0, 1, time.time_ns(), number, LEAST_ASKING_BYTES, flags)
            prober.ping(ping, door, LEAST_ASKING_BYTES)
            prober.wait(time.monotonic() + SPACING_S)
        prober.wait(time.monotonic() + PATIENCE_S, lambda: len(prober.came[stream]) == TRIES)
        report = prober.report(stream)
        back = sum(came.door is home for came in prober.came[stream])
        if report is None:
            return cls(back or None, back, back)
        return cls(report.received, report.answered, back)


def working_path(prober: Prober, there: Iterable[PortCheck], back: Iterable[PortCheck]) -> Path | None:
    """The ways for all further checks; None where unicast does not get there at all."""
    forth = {door: check for door, check in zip(Door, there, strict=True) if not door.group and check.passes}
    if not forth:
        return None
    door = max(forth)  # the data port, where it passes
    home = {d: check for d, check in zip(Door, back, strict=True) if not d.group and check.passes}
    if not home:
        return Path(door, 0, Flag.NONE)
    return Path(door, prober.doors[max(home)].port, Flag.FRESH)


# sizes


@dataclass(frozen=True, slots=True)
class Sizes:
    """One way's greatest datagrams: in one packet, and in fragments (None: not tried or nobody can tell)."""

    unfragmented: SizeCheck | None
    fragmented: SizeCheck | None


def check_sizes(prober: Prober, path: Path, loss: float) -> tuple[Sizes, Sizes]:
    """There and back.  loss: of small datagrams there and back together; it sets how often a size is tried.

    Back, a size can only be tried where a request of that size gets there.
    """
    tries = size_tries(loss)
    near, far = prober.target.nic.mtu_bytes, prober.welcome.interface_mtu_bytes
    there = _sizes(near, MOST_BYTES, lambda size, whole: _passes_there(prober, path, size, whole, tries))
    limit = MOST_BYTES
    if there.fragmented is None or there.fragmented.passed_bytes is None:
        limit = (there.unfragmented and there.unfragmented.passed_bytes) or 0
    back = _sizes(far or near, limit, lambda size, whole: _passes_back(prober, path, size, whole, tries))
    return there, back


def _sizes(mtu_bytes: int, limit: int, passes: Callable[[int, bool], bool | None]) -> Sizes:
    top = min(mtu_bytes - IP_UDP_BYTES, limit)
    return Sizes(
        greatest(LEAST_ASKING_BYTES, top, lambda size: passes(size, True)),
        greatest(top + 1, limit, lambda size: passes(size, False)),
    )


def size_tries(loss: float) -> int:
    """So many that chance alone loses them all once in 1/SURE times."""
    if loss <= 0:
        return LEAST_SIZE_TRIES
    if loss >= 1:
        return MOST_SIZE_TRIES
    return min(MOST_SIZE_TRIES, max(LEAST_SIZE_TRIES, ceil(log(SURE) / log(loss))))


def _passes_there(prober: Prober, path: Path, size: int, whole: bool, tries: int) -> bool | None:
    """None where the server is gone."""
    stream = prober.stream()
    for sample in range(tries):
        ping = Ping(stream, sample, 0, 1, time.time_ns(), path.reply_port, LEAST_ASKING_BYTES, path.flags)
        if not prober.ping(ping, path.door, size, whole):
            return False
        if prober.wait(time.monotonic() + SIZE_SPACING_S, lambda: bool(prober.came[stream])):
            return True
    if prober.wait(time.monotonic() + SIZE_PATIENCE_S, lambda: bool(prober.came[stream])):
        return True
    report = prober.report(stream)
    if prober.came[stream]:
        return True
    return report.received > 0 if report is not None else None


def _passes_back(prober: Prober, path: Path, size: int, whole: bool, tries: int) -> bool | None:
    """None where not even the requests get there."""
    stream = prober.stream()
    flags = path.flags | (Flag.WHOLE if whole else Flag.NONE)
    for sample in range(tries):
        ping = Ping(stream, sample, 0, 1, time.time_ns(), path.reply_port, size, flags)
        prober.ping(ping, path.door, size)
        if prober.wait(time.monotonic() + SIZE_SPACING_S, lambda: bool(prober.came[stream])):
            return True
    if prober.wait(time.monotonic() + SIZE_PATIENCE_S, lambda: bool(prober.came[stream])):
        return True
    report = prober.report(stream)
    if prober.came[stream]:
        return True
    return False if report is not None and report.received else None


# in a row


@dataclass(frozen=True, slots=True)
class Row:
    """Small datagrams that went there and back in a row."""

    sent: int
    report: Report | None  # what the server counted
    came: tuple[Came, ...]

    @property
    def overflowed(self) -> int:
        """Answers that our own socket lost meanwhile."""
        counts = [c.overflow for c in self.came]
        return max(counts) - min(counts) if counts else 0

    @property
    def loss(self) -> float:
        """Of there and back together."""
        return 1 - len(self.came) / self.sent if self.sent else 0.0


def send_row(
    prober: Prober, path: Path, count: int, rate_hz: float, progress: Callable[[float], None]
) -> Row:
    """Datagrams at an even rate, each with an answer of its size."""
    stream, start = prober.stream(), time.monotonic()
    for sample in range(count):
        prober.wait(start + sample / rate_hz)
        ping = Ping(stream, sample, 0, 1, time.time_ns(), path.reply_port, LEAST_ASKING_BYTES, path.flags)
        prober.ping(ping, path.door, LEAST_ASKING_BYTES)
        if sample % 64 == 0:
            progress(sample / count)
    prober.wait(time.monotonic() + LAST_S, lambda: len(prober.came[stream]) == count)
    return Row(count, prober.report(stream), tuple(prober.came.pop(stream, ())))
