"""The head of a saved capture: pcapng's section and interfaces (draft-ietf-opsawg-pcapng, 4.1 and 4.2)."""

from __future__ import annotations

import struct
from collections.abc import Iterable

from toprung import __version__

SECTION, INTERFACE, STATISTICS = 0x0A0D0D0A, 1, 5
BYTE_ORDER = 0x1A2B3C4D
NANOSECONDS = 9  # if_tsresol: ticks of 10**-9 s
OPTION_END, APPLICATION, NAME, RESOLUTION = 0, 4, 2, 9
RECEIVED, DROPPED = 4, 5  # isb_ifrecv, isb_ifdrop


def section() -> bytes:
    """The beginning of a capture, of unknown length."""
    body = struct.pack("<IHHq", BYTE_ORDER, 1, 0, -1)
    return _block(SECTION, body, [(APPLICATION, f"toprung {__version__}".encode())])


def interface(name: str, link_type: int, snap_bytes: int) -> bytes:
    """An interface, whose packets have times in nanoseconds."""
    options = [(NAME, name.encode()), (RESOLUTION, bytes([NANOSECONDS]))]
    return _block(INTERFACE, struct.pack("<HHI", link_type, 0, snap_bytes), options)


def statistics(number: int, time_ns: int, received: int, dropped: int) -> bytes:
    """What an interface saw in all (4.6)."""
    options = [(RECEIVED, struct.pack("<Q", received)), (DROPPED, struct.pack("<Q", dropped))]
    return _block(STATISTICS, struct.pack("<III", number, time_ns >> 32, time_ns & 0xFFFFFFFF), options)


def _block(kind: int, body: bytes, options: Iterable[tuple[int, bytes]]) -> bytes:
    for code, value in options:
        body += struct.pack("<HH", code, len(value)) + value.ljust((len(value) + 3) // 4 * 4, b"\0")
    body += struct.pack("<HH", OPTION_END, 0)
    total = 12 + len(body)
    return struct.pack("<II", kind, total) + body + struct.pack("<I", total)
