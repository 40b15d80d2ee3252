"""Packets of real captures, damaged in ways that parsers trip over; the same for the same seed."""

from __future__ import annotations

import gzip
import random
import struct
from collections.abc import Iterator
from pathlib import Path

NASTY = (0, 1, 3, 4, 7, 8, 0x7F, 0x80, 0xFF)
WORDS = (0, 1, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF)


def records(path: Path) -> tuple[bytes, list[tuple[bytes, bytes]]]:
    """A little-endian pcap's file header and its records as (header, packet)."""
    octets = gzip.decompress(path.read_bytes())
    at, found = 24, []
    while at + 16 <= len(octets):
        size = int.from_bytes(octets[at + 8 : at + 12], "little")
        found.append((octets[at : at + 16], octets[at + 16 : at + 16 + size]))
        at += 16 + size
    return octets[:24], found


def mutate(rng: random.Random, packet: bytes) -> bytes:
    """One to four damages: octets, words, cuts, repeats, insertions, swapped stretches."""
    octets = bytearray(packet)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(max(1, min(len(octets), rng.choice((80, 160, 100_000)))))
        kind = rng.randrange(7)
        if kind == 0 and octets:
            octets[at] = rng.choice(NASTY)
        elif kind == 1 and octets:
            octets[at] ^= 1 << rng.randrange(8)
        elif kind == 2:
            octets[at : at + 4] = struct.pack(rng.choice("<>") + "I", rng.choice(WORDS))
        elif kind == 3:
            octets[at : at + 2] = struct.pack(
                rng.choice("<>") + "H", rng.choice((0, 1, 4, len(octets), 0xFFFF))
            )
        elif kind == 4:
            del octets[at:]
        elif kind == 5:
            stretch = octets[at : at + rng.randrange(1, 64)]
            octets[at:at] = stretch * rng.randint(1, 3)
        else:
            octets[at:at] = rng.randbytes(rng.randrange(1, 12))
    return bytes(octets[:200_000])


def captures(paths: list[Path], packets: int, seed: int) -> Iterator[bytes]:
    """Captures of at most 2,000 damaged packets each, `packets` in all; three of four packets are damaged."""
    rng = random.Random(seed)
    sources = [records(path) for path in paths]
    while packets > 0:
        header, sound = rng.choice(sources)
        count = min(packets, 2000)
        begin = rng.randrange(max(1, len(sound) - count))
        out = [header]
        for i in range(count):
            head, packet = sound[(begin + i) % len(sound)]
            if rng.random() < 0.75:
                packet = mutate(rng, packet)
            sent = max(len(packet), int.from_bytes(head[12:16], "little") if rng.random() < 0.2 else 0)
            out.append(head[:8] + struct.pack("<II", len(packet), sent) + packet)
        packets -= count
        yield b"".join(out)
