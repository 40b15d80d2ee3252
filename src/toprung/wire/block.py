"""What a scan hands out: a block of message and submessage rows, and the tables their indices point into."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv6Address
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toprung.wire.columns import Column, MessageFlag
from toprung.wire.kernels import KERNELS, Kernels, as_view
from toprung.wire.memory import blank

MAX_KEYS = 1 << 16  # different addresses, and different GUID prefixes, of one scan
IPV4_HIGH = 0xFFFF  # upper half of the low word of an IPv4 address, which is kept as ::ffff:a.b.c.d


class Rows:
    """One contiguous array a column, by the column's name: `rows.time_ns[:n]`."""

    def __init__(self, columns: tuple[Column, ...], capacity: int) -> None:
        self.arrays: dict[str, NDArray[Any]] = {c.name: blank(capacity, c.dtype) for c in columns}

    def __getattr__(self, name: str) -> NDArray[Any]:
        try:
            return self.__dict__["arrays"][name]  # type: ignore[no-any-return]
        except KeyError:
            raise AttributeError(name) from None

    def views(self) -> dict[str, memoryview]:
        """The columns as a kernel takes them."""
        return {name: as_view(array) for name, array in self.arrays.items()}

    def shift(self, first: int, end: int) -> None:
        """Move rows [first, end) to the front."""
        for array in self.arrays.values():
            array[: end - first] = array[first:end].copy()


class Tables:
    """Interning tables of one scan: they only grow, and index 0 means none."""

    def __init__(self, kernels: Kernels = KERNELS) -> None:
        self.addresses: list[str] = [""]  # IPv4 dotted, IPv6 compressed
        self.prefixes: list[bytes] = [b""]  # 12 octets each
        self._address_words = _words()
        self._prefix_words = _words()
        self.address_keys: Any = kernels.intern(*self._address_words, _slots())
        self.prefix_keys: Any = kernels.intern(*self._prefix_words, _slots())

    @property
    def refused(self) -> int:
        """Sightings of addresses and prefixes that found the tables full."""
        return int(self.address_keys.refused + self.prefix_keys.refused)

    def grow(self) -> None:
        """Take over what the kernels have numbered since the last call."""
        high, low = self._address_words
        for row in range(len(self.addresses), self.address_keys.count):
            self.addresses.append(_address(int(high[row]), int(low[row])))
        high, low = self._prefix_words
        for row in range(len(self.prefixes), self.prefix_keys.count):
            self.prefixes.append(int(low[row]).to_bytes(8, "little") + int(high[row]).to_bytes(4, "little"))

    def keep_prefixes(self, stay: NDArray[Any]) -> None:
        """Forget all prefixes but those with the numbers `stay` (ascending, 0 among them), which become
        0, 1, 2, ...  To be called between blocks."""
        self.grow()
        for words in self._prefix_words:
            array: NDArray[Any] = np.asarray(words)
            array[: len(stay)] = array[stay]
            array[len(stay) : self.prefix_keys.count] = 0
        self.prefix_keys.refill(len(stay))
        self.prefixes = [self.prefixes[number] for number in stay.tolist()]


def _words() -> tuple[memoryview, memoryview]:
    return as_view(blank(MAX_KEYS, "u8")), as_view(blank(MAX_KEYS, "u8"))


def _slots() -> memoryview:
    return as_view(blank(2 * MAX_KEYS, "u4"))


def _address(high: int, low: int) -> str:
    if high == 0 and low >> 32 == IPV4_HIGH:
        return str(IPv4Address(low & 0xFFFFFFFF))
    return str(IPv6Address(high << 64 | low))


class Block:
    """About 4,096 messages with their submessages; everything in it is overwritten by the next block."""

    def __init__(self, messages: Rows, submessages: Rows) -> None:
        self.messages = messages
        self.submessages = submessages
        self.n_messages = 0
        self.n_submessages = 0
        self._captured = memoryview(b"")
        self._joined = memoryview(b"")

    def fill(self, captured: memoryview, joined: memoryview, messages: int, submessages: int) -> None:
        self._captured, self._joined = captured, joined
        self.n_messages, self.n_submessages = messages, submessages

    def datagram(self, message: int) -> memoryview:
        """UDP payload of a message row, as far as it is there."""
        at = int(self.messages.begin[message])
        return self._as_view(message)[at : at + int(self.messages.room[message])]

    def payload(self, row: int) -> memoryview:
        """Serialised payload of a submessage row (a set's bitmap words; the body of what has neither)."""
        s = self.submessages
        at = int(s.payload_at[row])
        return self._as_view(int(s.message[row]))[at : at + int(s.payload_length[row])]

    def inline_qos(self, row: int) -> memoryview:
        """Inline QoS parameter list of a submessage row, its sentinel included; empty where there is none."""
        s = self.submessages
        at = int(s.payload_at[row])
        return self._as_view(int(s.message[row]))[at - int(s.inline_length[row]) : at]

    def _as_view(self, message: int) -> memoryview:
        """Joined datagrams stand in a buffer of their own; offsets count from its beginning."""
        fragmented = int(self.messages.flags[message]) & MessageFlag.FRAGMENTED
        return self._joined if fragmented else self._captured
