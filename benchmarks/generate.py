"""A large capture of made-up RTPS traffic, written quickly: the same bytes for the same arguments.

40 participants, each with 10 writers and 10 readers; every tenth participant is big-endian.  A writer has
its own sequence numbers and sends to the participant of its reader.  A datagram holds INFO_TS and DATA with
a HEARTBEAT (six of ten), a DATA alone, an ACKNACK, or DATA_FRAG; 3 in 1000 are sent in IP fragments, some of
them out of order, some without their last one.

    python benchmarks/generate.py out.pcap [packets]
"""

from __future__ import annotations

import random
import struct
import sys
from dataclasses import dataclass, field
from pathlib import Path

PARTICIPANTS = 40
WRITERS = 10
FRAGMENTS = 8  # of a sample that is sent as DATA_FRAG
PATTERN = 20_000  # packets that are laid out one by one; repeats differ in time and sequence numbers only
START_S = 1_760_000_000
STEP_NS = 25_000
HEADER = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 262_144, 1)
UDP_AT = 14 + 20 + 8  # octets of a frame before the UDP payload


def prefix(participant: int) -> bytes:
    """A made-up GUID prefix."""
    return struct.pack(
        ">HHII", 0x010F, participant, 0xC0FFEE00 + participant, participant * 2654435761 & 0xFFFFFFFF
    )


@dataclass
class Flow:
    """One writer and the participant that reads it; `written` samples so far."""

    participant: int
    number: int
    written: int = 0
    pieces: int = 0

    @property
    def peer(self) -> int:
        return (self.participant + 1 + 3 * self.number) % PARTICIPANTS

    @property
    def entities(self) -> tuple[bytes, bytes]:
        """Reader and writer entity id."""
        return struct.pack(">I", self.number << 8 | 0x1004), struct.pack(">I", self.number << 8 | 0x1003)


@dataclass
class Message:
    """An RTPS message under construction, and where its sequence numbers' low words stand."""

    sender: int
    body: bytearray = field(default_factory=bytearray)
    numbers: list[int] = field(default_factory=list)  # offsets

    def __post_init__(self) -> None:
        self.order, self.flag = (">", 0) if self.sender % 10 == 9 else ("<", 1)
        self.body += b"RTPS\2\3" + b"\1\x0f" + prefix(self.sender)

    def add(
        self, kind: int, flags: int, before: bytes, numbers: tuple[int, ...] = (), after: bytes = b""
    ) -> None:
        """A submessage: octets, sequence numbers, octets."""
        middle = b"".join(struct.pack(self.order + "iI", 0, n) for n in numbers)
        content = before + middle + after
        at = len(self.body) + 4 + len(before)
        self.numbers += [at + 8 * i + 4 for i in range(len(numbers))]
        self.body += struct.pack(self.order + "BBH", kind, flags | self.flag, len(content)) + content

    def pack(self, form: str, *values: int) -> bytes:
        return struct.pack(self.order + form, *values)


def message(rng: random.Random, flow: Flow) -> Message:
    """What the flow's writer, or its reader, sends next."""
    shape = rng.random()
    _, writer = flow.entities
    if 0.75 <= shape < 0.95:
        return acknowledgement(rng, flow)
    m = Message(flow.participant)
    m.add(0x09, 0, m.pack("II", START_S, rng.getrandbits(32)))
    if shape < 0.75:
        flow.written += 1
        payload = b"\0\1\0\0" + bytes(rng.choice((24, 48, 96, 120, 240)))
        m.add(0x15, 4, m.pack("HH", 0, 16) + bytes(4) + writer, (flow.written,), payload)
        if shape < 0.6:
            m.add(0x07, 0, bytes(4) + writer, (1, flow.written), m.pack("I", flow.written))
        return m
    flow.written += flow.pieces % FRAGMENTS == 0
    piece = 1 + flow.pieces % FRAGMENTS
    flow.pieces += 1
    sizes = m.pack("IHHI", piece, 1, 1024, 1024 * FRAGMENTS)
    m.add(0x16, 0, m.pack("HH", 0, 28) + bytes(4) + writer, (max(flow.written, 1),), sizes + bytes(1024))
    return m


def acknowledgement(rng: random.Random, flow: Flow) -> Message:
    reader, writer = flow.entities
    m = Message(flow.peer)
    m.add(0x0E, 0, prefix(flow.participant))
    m.add(0x06, 2, reader + writer, (flow.written + 1,), m.pack("III", 32, rng.getrandbits(32), flow.written))
    return m


@dataclass
class Pattern:
    """Records laid end to end, and where each repeat differs."""

    records: bytearray = field(default_factory=bytearray)
    starts: list[int] = field(default_factory=list)
    numbers: list[tuple[int, int, bool]] = field(default_factory=list)  # offset, flow, big-endian

    def enter(self, frame: bytes) -> None:
        ns = len(self.starts) * STEP_NS
        self.starts.append(len(self.records))
        lengths = len(frame), len(frame)
        self.records += struct.pack("<IIII", START_S + ns // 10**9, ns % 10**9 // 1000, *lengths) + frame


def lay(pattern: Pattern, rng: random.Random, flows: list[Flow], chosen: int) -> None:
    """The frames of one datagram of the chosen flow."""
    flow = flows[chosen]
    m = message(rng, flow)
    other = flow.peer if m.sender == flow.participant else flow.participant
    broken = rng.random()
    body = bytes(m.body)
    if broken < 0.003:
        body += struct.pack("<BBH", 0x80, 1, 3000) + bytes(3000)
    udp = struct.pack(">HHHH", 40000 + m.sender, 7411, 8 + len(body), 0) + body
    mac = b"\2\0\0\0\0" + bytes([1 + other]) + b"\2\0\0\0\0" + bytes([1 + m.sender]) + b"\x08\0"
    out = []
    for at in range(0, len(udp), 1480):
        piece = udp[at : at + 1480]
        place = at // 8 | (0x2000 if at + len(piece) < len(udp) else 0)
        identity = len(pattern.starts) & 0xFFFF
        head = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(piece), identity, place, 64, 17, 0)
        out.append((at, mac + head + bytes([10, 77, 0, 1 + m.sender, 10, 77, 0, 1 + other]) + piece))
    if len(out) > 1 and broken < 0.0006:
        out.reverse()
    elif len(out) > 1 and broken < 0.0009:
        out.pop()
    for at, frame in out:
        if at == 0:
            here = len(pattern.records) + 16 + UDP_AT
            pattern.numbers += [(here + n, chosen, m.order == ">") for n in m.numbers]
        pattern.enter(frame)


def write(path: Path, packets: int) -> int:
    """Write a capture of so many packets; its size in bytes."""
    import numpy as np

    rng, pattern = random.Random(7411), Pattern()
    flows = [Flow(p, w) for p in range(PARTICIPANTS) for w in range(WRITERS)]
    while len(pattern.starts) < min(packets, PATTERN):
        lay(pattern, rng, flows, rng.randrange(len(flows)))
    block, count = np.frombuffer(pattern.records, "u1"), len(pattern.starts)
    seconds = np.array(pattern.starts)[:, None] + np.arange(4)
    base = START_S + np.arange(count) * STEP_NS // 10**9
    lasts = -(-count * STEP_NS // 10**9)
    at, chosen, big = (np.array(column) for column in zip(*pattern.numbers, strict=True))
    places = at[:, None] + np.where(big[:, None], np.arange(3, -1, -1), np.arange(4))  # least octet first
    first = block[places].copy().view("<u4")[:, 0]
    more = np.array([flow.written for flow in flows])[chosen] * (first > 1)  # a heartbeat's first stays 1
    with path.open("wb") as file:
        file.write(HEADER)
        for repeat in range(-(-packets // count)):
            block[seconds] = (base + repeat * lasts).astype("<u4")[:, None].view("u1").reshape(-1, 4)
            block[places] = (first + repeat * more).astype("<u4")[:, None].view("u1").reshape(-1, 4)
            left = packets - repeat * count
            file.write(block[: pattern.starts[left]].tobytes() if left < count else block.tobytes())
    return path.stat().st_size


if __name__ == "__main__":
    target = Path(sys.argv[1])
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 1_000_000
    sys.stdout.write(f"{target}: {count} packets, {write(target, count) / 1e6:.0f} MB\n")
