"""Numbers out of bytes, uncompiled; `_bytes.pxd` holds the compiled twins of these functions.

Each returns 0 where the bytes are not all there: callers check lengths first, this is the second lock.
"""

from __future__ import annotations


def fetch(data: memoryview, at: int) -> None:
    """Say that this cache line will be read soon; means something to a processor only."""


def u16le(data: memoryview, at: int) -> int:
    return int.from_bytes(data[at : at + 2], "little") if 0 <= at <= len(data) - 2 else 0


def u16be(data: memoryview, at: int) -> int:
    return int.from_bytes(data[at : at + 2], "big") if 0 <= at <= len(data) - 2 else 0


def u32le(data: memoryview, at: int) -> int:
    return int.from_bytes(data[at : at + 4], "little") if 0 <= at <= len(data) - 4 else 0


def u32be(data: memoryview, at: int) -> int:
    return int.from_bytes(data[at : at + 4], "big") if 0 <= at <= len(data) - 4 else 0


def u64le(data: memoryview, at: int) -> int:
    return int.from_bytes(data[at : at + 8], "little") if 0 <= at <= len(data) - 8 else 0


def u64be(data: memoryview, at: int) -> int:
    return int.from_bytes(data[at : at + 8], "big") if 0 <= at <= len(data) - 8 else 0


def u16(data: memoryview, little: bool, at: int) -> int:
    return u16le(data, at) if little else u16be(data, at)


def u32(data: memoryview, little: bool, at: int) -> int:
    return u32le(data, at) if little else u32be(data, at)


def words(data: memoryview, little: bool, at: int) -> int:
    """Two 32-bit words that follow each other, the first one in the high half."""
    both = u64le(data, at) if little else u64be(data, at)
    return (both << 32 & MASK | both >> 32) if little else both


def i64(data: memoryview, little: bool, at: int) -> int:
    """SequenceNumber_t: {int32 high, uint32 low} (DDSI-RTPS 2.5, 9.3.2.3)."""
    both = words(data, little, at)
    return both - (both >> 63 << 64)


def ones(word: int) -> int:
    """Set bits of 32."""
    return word.bit_count()


FACTOR = 0x9E3779B97F4A7C15
MASK = (1 << 64) - 1


def digest(data: memoryview, at: int, size: int, seed: int) -> int:
    """64 bits of `size` octets: four lanes of xor and multiply, folded.  0 where they are not all there."""
    if at < 0 or size < 0 or at + size > len(data):
        return 0
    lanes = [seed, seed ^ 1, seed ^ 2, seed ^ 3]
    rest = size - size % 32
    for place in range(0, rest, 8):
        lane = place >> 3 & 3
        lanes[lane] = (lanes[lane] ^ u64le(data, at + place)) * FACTOR & MASK
    a, b, c, d = lanes
    for place in range(rest, size - 3, 4):
        d = (d ^ u32le(data, at + place)) * FACTOR & MASK
    for place in range(size - size % 4, size):
        d = (d ^ data[at + place]) * FACTOR & MASK
    a = (a ^ c >> 32) * FACTOR & MASK
    b = (b ^ d >> 32) * FACTOR & MASK
    a = (a ^ a >> 32 ^ b ^ c ^ d) * FACTOR & MASK
    return a ^ a >> 29
