"""Numbers out of bytes, uncompiled; `_bytes.pxd` holds the compiled twins of these six functions.

Each returns 0 where the bytes are not all there: callers check lengths first, this is the second lock.
"""

from __future__ import annotations


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
