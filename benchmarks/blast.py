"""Frames onto an interface at a given rate: many of them in one system call (sendmmsg(2))."""

from __future__ import annotations

import ctypes
import socket
import time
from collections.abc import Callable

BATCH = 64
_libc = ctypes.CDLL(None, use_errno=True)


class _Piece(ctypes.Structure):
    _fields_ = (("base", ctypes.c_void_p), ("size", ctypes.c_size_t))


class _Message(ctypes.Structure):
    """struct mmsghdr of 64-bit Linux."""

    _fields_ = (
        ("name", ctypes.c_void_p),
        ("name_size", ctypes.c_uint),
        ("pieces", ctypes.c_void_p),
        ("piece_count", ctypes.c_size_t),
        ("control", ctypes.c_void_p),
        ("control_size", ctypes.c_size_t),
        ("flags", ctypes.c_int),
        ("sent", ctypes.c_uint),
    )


class Frames:
    """Frames that lie in one buffer, ready to be sent in batches; their octets may be changed in between."""

    def __init__(self, interface: str, buffer: bytearray, places: list[tuple[int, int]]) -> None:
        """`places`: offset and length of each frame."""
        self.socket = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
        self.socket.bind((interface, 0))
        self.buffer = buffer
        self.count = len(places)
        begin = ctypes.addressof((ctypes.c_char * len(buffer)).from_buffer(buffer))
        self._pieces = (_Piece * self.count)(*(_Piece(begin + at, size) for at, size in places))
        first = ctypes.addressof(self._pieces)
        step = ctypes.sizeof(_Piece)
        self._messages = (_Message * self.count)(
            *(_Message(pieces=first + i * step, piece_count=1) for i in range(self.count))
        )

    def put(self, place: int, at: int, octets: bytes) -> None:
        """Another frame at a place, whose octets begin at `at` of the buffer."""
        self.buffer[at : at + len(octets)] = octets
        self._pieces[place].size = len(octets)

    def send(self, first: int, count: int) -> int:
        """Send `count` frames from the `first` on; how many the interface took."""
        at = ctypes.addressof(self._messages) + first * ctypes.sizeof(_Message)
        done = _libc.sendmmsg(self.socket.fileno(), ctypes.c_void_p(at), count, 0)
        return max(done, 0)


def pace(
    frames: Frames, rate_hz: float, seconds: float, before_round: Callable[[int], None] | None = None
) -> int:
    """Send all frames again and again at a rate; how many went.  `before_round` may change them."""
    sent = at = rounds = 0
    begun = time.monotonic()
    while (now := time.monotonic() - begun) < seconds:
        due = int(now * rate_hz) - sent
        if due < BATCH // 4:
            time.sleep(0.0002)
            continue
        if at == 0 and before_round is not None:
            before_round(rounds)
            rounds += 1
        done = frames.send(at, min(due, BATCH, frames.count - at))
        sent += done
        at = (at + done) % frames.count
    return sent
