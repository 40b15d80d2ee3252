"""RTPS traffic of a robot on which participants come and go, at a given rate of packets.

One participant, the host, is always there.  Visitors announce and introduce themselves, write to the host
for a while, and leave, every second one without a goodbye.  Every visitor is a different one.
"""

from __future__ import annotations

import struct
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from blast import BATCH, Frames

from toprung.model.picture import Guid, Locator, Side
from toprung.wire.announcements import EndpointData, InlineQos, ParticipantData, Status
from toprung.wire.discovery import write_endpoint, write_inline_qos, write_participant
from toprung.wire.messages import acknack, data, heartbeat, info_dst, info_ts, message

GROUP, VENDOR, ROOM = "239.255.0.1", 0x0110, 1024
LIFE_S = 10.0
LEASE_S, ANNOUNCES_S = 6, 2.0
WRITER, READER = 0x103, 0x104
SPDP, PUBLICATIONS, SUBSCRIPTIONS = 0x100C2, 0x3C2, 0x4C2
ADDRESSES = 60  # that visitors share
TOPIC = "cart1/odom"


def frame(source: str, target: str, port: int, payload: bytes, sender: int = 40000) -> bytes:
    """Ethernet, IPv4, UDP."""
    udp = struct.pack(">HHHH", sender, port, 8 + len(payload), 0) + payload
    hosts = b"".join(bytes(map(int, host.split("."))) for host in (source, target))
    mac = b"\2\0\0\0\0\2\2\0\0\0\0" + hosts[3:4] + b"\x08\0"
    return mac + struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(udp), 1, 0, 64, 17, 0) + hosts + udp


@dataclass
class Party:
    """One participant with a writer and a reader on the topic."""

    number: int
    begun: float = 0.0
    announced: float = 0.0
    written: int = 0
    prefix: bytes = field(init=False)
    place: Locator = field(init=False)

    def __post_init__(self) -> None:
        self.prefix = b"\1\x10" + self.number.to_bytes(10, "big")
        self.place = Locator(1, f"10.77.1.{20 + self.number % ADDRESSES}", 7412 + self.number % 50_000)

    def says(self, *submessages: bytes) -> bytes:
        return message(self.prefix, VENDOR, submessages)

    def announcement(self) -> bytes:
        told = ParticipantData(
            Guid(self.prefix, 0x1C1), version=(2, 5), domain=0, name=f"visitor {self.number}",
            lease_ns=LEASE_S * 10**9, metatraffic_unicast=(self.place,), default_unicast=(self.place,),
        )  # fmt: skip
        return self.says(data(0, SPDP, 1, write_participant(told)))

    def goodbye(self) -> bytes:
        gone = Status.DISPOSED | Status.UNREGISTERED
        told = write_participant(ParticipantData(Guid(self.prefix, 0x1C1), gone))
        return self.says(data(0, SPDP, 2, told, write_inline_qos(InlineQos(status=gone)), key=True))

    def introduction(self, side: Side, entity: int, builtin: int) -> bytes:
        told = EndpointData(side, Guid(self.prefix, entity), topic=TOPIC, type_name="cart::Odometry")
        return self.says(data(0, builtin, 1, write_endpoint(told)))


HOST = Party(1 << 40)


def arrival(who: Party) -> list[bytes]:
    here, host = who.place.address, HOST.place.address
    return [
        frame(here, GROUP, 7400, who.announcement()),
        frame(host, here, who.place.port, HOST.announcement()),
        frame(here, host, HOST.place.port, who.introduction(Side.WRITER, WRITER, PUBLICATIONS)),
        frame(host, here, who.place.port, HOST.introduction(Side.READER, READER, SUBSCRIPTIONS)),
    ]


def sample(who: Party) -> list[bytes]:
    """A sample and its acknowledgement."""
    who.written += 1
    here, host, n = who.place.address, HOST.place.address, who.written
    stamped = info_ts(time.time_ns()), data(0, WRITER, n, b"\0\1\0\0" + bytes(140))
    told = who.says(*stamped, heartbeat(0, WRITER, 1, n, n))
    answer = HOST.says(info_dst(who.prefix), acknack(READER, WRITER, n + 1, (), n))
    return [frame(here, host, HOST.place.port, told), frame(host, here, who.place.port, answer)]


class Stage:
    """Who is there, and what is sent next."""

    def __init__(self, visitors: int, seconds: float) -> None:
        self.every_s = seconds / visitors
        self.visitors = visitors
        self.present: list[Party] = []
        self.came = self.turn = 0
        self.queue: list[bytes] = []

    def move(self, now: float) -> None:
        """Let visitors come and go."""
        while self.came < min(self.visitors, now / self.every_s + 1):
            self.came += 1
            self.present.append(Party(self.came, now, now))
            self.queue += arrival(self.present[-1])
        while self.present and now - self.present[0].begun > LIFE_S:
            who = self.present.pop(0)
            if who.number % 2:
                self.queue.append(frame(who.place.address, GROUP, 7400, who.goodbye()))
        for who in (HOST, *self.present):
            if now - who.announced > ANNOUNCES_S:
                who.announced = now
                self.queue.append(frame(who.place.address, GROUP, 7400, who.announcement()))

    def next(self, count: int) -> list[bytes]:
        while len(self.queue) < count:
            self.turn += 1
            self.queue += sample(self.present[self.turn % len(self.present)])
        out, self.queue = self.queue[:count], self.queue[count:]
        return out


def play(interface: str, rate_hz: float, seconds: float, visitors: int) -> int:
    """Send it all; how many packets went."""
    buffer = bytearray(BATCH * ROOM)
    frames = Frames(interface, buffer, [(i * ROOM, 60) for i in range(BATCH)])
    stage = Stage(visitors, seconds)
    begun, sent, moved = time.monotonic(), 0, -1.0
    while (now := time.monotonic() - begun) < seconds:
        if now - moved > 0.05:
            moved = now
            stage.move(now)
        due = min(int(now * rate_hz) - sent, BATCH)
        if due < BATCH // 4:
            time.sleep(0.0005)
            continue
        for place, octets in enumerate(stage.next(due)):
            frames.put(place, place * ROOM, octets)
        done = 0
        while done < due:
            done += frames.send(done, due - done)
        sent += due
    return sent


if __name__ == "__main__":
    rate, length, count = float(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
    sys.stdout.write(f"{play(sys.argv[1], rate, length, count)}\n")
