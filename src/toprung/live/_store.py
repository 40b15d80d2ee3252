"""Numbers and octets into a buffer, uncompiled; `_store.pxd` holds the compiled twins.

Nothing is written where it does not fit: callers check the room first, this is the second lock.
"""

from __future__ import annotations


def put32(out: memoryview, at: int, value: int) -> None:
    if 0 <= at <= len(out) - 4:
        out[at : at + 4] = (value & 0xFFFFFFFF).to_bytes(4, "little")


def copy(out: memoryview, at: int, data: memoryview, begin: int, size: int) -> None:
    if 0 <= at <= len(out) - size and 0 <= begin <= len(data) - size and size > 0:
        out[at : at + size] = data[begin : begin + size]
