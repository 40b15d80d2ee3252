"""A large capture of made-up RTPS traffic, written quickly: the same bytes for the same arguments.

40 participants of 20 endpoints; every tenth participant is big-endian.  A datagram holds INFO_TS and DATA
with a HEARTBEAT (six of ten), a DATA alone, an ACKNACK, or DATA_FRAG; 3 in 1000 are sent in IP fragments,
some of them out of order, some without their last one.

    python benchmarks/generate.py out.pcap [packets]
"""

from __future__ import annotations

import random
import struct
import sys
from pathlib import Path

PARTICIPANTS = 40
ENDPOINTS = 20
PATTERN = 20_000  # packets that are laid out one by one; repeats differ in time and sequence numbers only
START_S = 1_760_000_000
STEP_NS = 25_000
HEADER = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 262_144, 1)


def prefix(participant: int) -> bytes:
    """A made-up GUID prefix."""
    return struct.pack(
        ">HHII", 0x010F, participant, 0xC0FFEE00 + participant, participant * 2654435761 & 0xFFFFFFFF
    )


def message(rng: random.Random, participant: int, sequence: int) -> bytes:
    """One RTPS message of a participant's randomly chosen endpoint."""
    order, flag = (">", 0) if participant % 10 == 9 else ("<", 1)
    writer = struct.pack(">I", rng.randrange(ENDPOINTS) << 8 | 0x1003)[1:] + b"\3"
    reader = struct.pack(">I", rng.randrange(ENDPOINTS) << 8 | 0x1004)[1:] + b"\4"
    shape = rng.random()

    def sub(kind: int, flags: int, body: bytes) -> bytes:
        return struct.pack(order + "BBH", kind, flags | flag, len(body)) + body

    number = struct.pack(order + "iI", 0, sequence)
    stamp = sub(0x09, 0, struct.pack(order + "II", START_S, rng.getrandbits(32)))
    to = sub(0x0E, 0, prefix(rng.randrange(PARTICIPANTS)))
    payload = b"\0\1\0\0" + bytes(rng.choice((24, 48, 96, 120, 240)))
    data = sub(0x15, 4, struct.pack(order + "HH", 0, 16) + bytes(4) + writer + number + payload)
    beat = sub(0x07, 0, bytes(4) + writer + struct.pack(order + "iIiII", 0, 1, 0, sequence, sequence))
    if shape < 0.6:
        parts = stamp + data + beat
    elif shape < 0.75:
        parts = stamp + data
    elif shape < 0.95:
        bits = struct.pack(order + "IIII", sequence, 32, rng.getrandbits(32), sequence)
        parts = to + sub(0x06, 2, reader + writer + bytes(4) + bits)
    else:
        head = struct.pack(order + "HH", 0, 28) + bytes(4) + writer + number
        parts = stamp + sub(
            0x16, 0, head + struct.pack(order + "IHHI", 1 + sequence % 8, 1, 1024, 8192) + bytes(1024)
        )
    return b"RTPS\2\3" + b"\1\x0f" + prefix(participant) + parts


def frames(rng: random.Random, participant: int, sequence: int) -> list[bytes]:
    """The Ethernet frames of one datagram."""
    body = message(rng, participant, sequence)
    broken = rng.random()
    if broken < 0.003:
        body += struct.pack("<BBH", 0x80, 1, 3000) + bytes(3000)
    udp = struct.pack(">HHHH", 40000 + participant, 7411, 8 + len(body), 0) + body
    mac = b"\2\0\0\0\0\1" + b"\2\0\0\0\0" + bytes([participant]) + b"\x08\0"
    pieces = [(at, udp[at : at + 1480]) for at in range(0, len(udp), 1480)]
    out = []
    for at, piece in pieces:
        place = at // 8 | (0x2000 if at + len(piece) < len(udp) else 0)
        head = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(piece), sequence & 0xFFFF, place, 64, 17, 0)
        target = 1 + (sequence + participant) % PARTICIPANTS
        out.append(mac + head + bytes([10, 77, 0, 1 + participant]) + bytes([10, 77, 0, target]) + piece)
    if len(out) > 1 and broken < 0.0006:
        out.reverse()
    elif len(out) > 1 and broken < 0.0009:
        out.pop()
    return out


def pattern(packets: int) -> bytes:
    """`packets` records with times that count up from 0 s."""
    rng = random.Random(7411)
    records: list[bytes] = []
    sequence = 1
    while len(records) < packets:
        participant = rng.randrange(PARTICIPANTS)
        sequence += 1
        for frame in frames(rng, participant, sequence):
            ns = len(records) * STEP_NS
            records.append(
                struct.pack("<IIII", START_S + ns // 10**9, ns % 10**9 // 1000, len(frame), len(frame))
                + frame
            )
    return b"".join(records[:packets])


def write(path: Path, packets: int) -> int:
    """Write a capture of so many packets; its size in bytes."""
    import numpy as np

    block = np.frombuffer(bytearray(pattern(min(packets, PATTERN))), "u1")
    starts, at = [], 0
    while at < len(block):
        starts.append(at)
        at += 16 + int.from_bytes(block[at + 8 : at + 12].tobytes(), "little")
    seconds = np.array(starts)[:, None] + np.arange(4)
    base = START_S + np.arange(len(starts)) * STEP_NS // 10**9
    lasts = -(-len(starts) * STEP_NS // 10**9)
    with path.open("wb") as file:
        file.write(HEADER)
        for repeat in range(-(-packets // len(starts))):
            block[seconds] = (base + repeat * lasts).astype("<u4")[:, None].view("u1").reshape(-1, 4)
            left = packets - repeat * len(starts)
            file.write(block[: starts[left]].tobytes() if left < len(starts) else block.tobytes())
    return path.stat().st_size


if __name__ == "__main__":
    target = Path(sys.argv[1])
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 1_000_000
    sys.stdout.write(f"{target}: {count} packets, {write(target, count) / 1e6:.0f} MB\n")
