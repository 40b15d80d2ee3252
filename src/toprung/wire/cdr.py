"""CDR, the encoding of DDS data: a bounded reader, a writer, and the encapsulation header before both.

Plain XCDR1 and XCDR2, delimited and mutable XCDR2, and parameter lists (XTypes 1.3, 7.4; DDSI-RTPS 2.5,
10).  Knows bytes, not types: who reads says what comes next.  Everything is relative to an origin, the
first byte after the encapsulation header.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import IntEnum
from struct import Struct

from toprung.wire.limits import MAX_SEQUENCE, MAX_STRING_BYTES


class WireError(Exception):
    """Bytes that cannot be what they should be.  Raised and caught inside `toprung.wire` only.

    `why` is one of a few fixed phrases, so that reasons can be counted.
    """

    def __init__(self, offset: int, why: str) -> None:
        super().__init__(offset, why)
        self.offset = offset
        self.why = why


class Encoding(IntEnum):
    """Encapsulation ids, big-endian flavour; the little-endian one is one more.

    The ids that deployed libraries use (DDSI-RTPS 2.5, 10 with XTypes 1.3, 7.6.3.1.2).
    """

    CDR = 0x0000
    PL_CDR = 0x0002
    CDR2 = 0x0006
    D_CDR2 = 0x0008
    PL_CDR2 = 0x000A

    @property
    def widest(self) -> int:
        """Greatest alignment in bytes: 8 in XCDR1, 4 in XCDR2 (XTypes 1.3, 7.4.1 and 7.4.2)."""
        return 8 if self <= Encoding.PL_CDR else 4


HEADER_BYTES = 4
ALIGN_BYTES = 4  # serialised payloads are padded to this (DDSI-RTPS 2.5, 9.4.1 and 10)
PADDING_MASK = 0x0003  # in the options: padding bytes at the end of the payload (XTypes 1.3, 7.6.3.1.2)


@dataclass(frozen=True, slots=True)
class Encapsulation:
    """The four bytes before serialised data."""

    encoding: Encoding
    little: bool
    options: int = 0

    def __bytes__(self) -> bytes:
        return (self.encoding | self.little).to_bytes(2, "big") + self.options.to_bytes(2, "big")


_ENCODINGS = {encoding | little: (encoding, bool(little)) for encoding in Encoding for little in (0, 1)}


def encapsulation(payload: bytes) -> Encapsulation:
    """The header of a serialised payload.  Raises WireError."""
    if len(payload) < HEADER_BYTES:
        raise WireError(0, "payload too short for its encapsulation header")
    known = _ENCODINGS.get(payload[0] << 8 | payload[1])
    if known is None:
        raise WireError(0, "unknown encapsulation")
    return Encapsulation(*known, payload[2] << 8 | payload[3])


class Number(IntEnum):
    """Primitive types; the value indexes the tables below."""

    U8 = 0
    I8 = 1
    U16 = 2
    I16 = 3
    U32 = 4
    I32 = 5
    U64 = 6
    I64 = 7
    F32 = 8
    F64 = 9


_CODES = "BbHhIiQqfd"
_STRUCTS = tuple(tuple(Struct(order + code) for code in _CODES) for order in "><")  # [little][number]
_SIZES = tuple(item.size for item in _STRUCTS[0])

MUST_UNDERSTAND = 1 << 31  # EMHEADER1 (XTypes 1.3, 7.4.3.4.2)
LENGTH_CODE_SHIFT = 28
MEMBER_MASK = (1 << 28) - 1
NEXT_INT = 4  # the length code from which a NEXTINT follows
_NEXT_INT_UNITS = {4: 1, 5: 1, 6: 4, 7: 8}  # length code -> bytes that NEXTINT counts
_REUSES_LENGTH = 5  # from here NEXTINT is also the member's own first number


class Reader:
    """A cursor that cannot leave its bytes.  Every method raises WireError rather than read beyond."""

    __slots__ = ("at", "data", "end", "little", "origin", "widest")

    def __init__(
        self, data: bytes, *, little: bool = True, widest: int = 8, at: int = 0, end: int | None = None
    ) -> None:
        self.data = data
        self.little = little
        self.widest = widest
        self.at = self.origin = at
        self.end = len(data) if end is None else end

    def left(self) -> int:
        """Bytes that are still there."""
        return self.end - self.at

    def align(self, size: int) -> None:
        self.at += -(self.at - self.origin) & (min(size, self.widest) - 1)

    def _number(self, kind: int) -> int | float:
        size = _SIZES[kind]
        at = self.at + (-(self.at - self.origin) & (min(size, self.widest) - 1))
        if at + size > self.end:
            raise WireError(self.at, "ends inside a number")
        self.at = at + size
        value: int | float = _STRUCTS[self.little][kind].unpack_from(self.data, at)[0]
        return value

    def u8(self) -> int:
        return int(self._number(Number.U8))

    def i8(self) -> int:
        return int(self._number(Number.I8))

    def u16(self) -> int:
        return int(self._number(Number.U16))

    def i16(self) -> int:
        return int(self._number(Number.I16))

    def u32(self) -> int:
        return int(self._number(Number.U32))

    def i32(self) -> int:
        return int(self._number(Number.I32))

    def u64(self) -> int:
        return int(self._number(Number.U64))

    def i64(self) -> int:
        return int(self._number(Number.I64))

    def f32(self) -> float:
        return float(self._number(Number.F32))

    def f64(self) -> float:
        return float(self._number(Number.F64))

    def boolean(self) -> bool:
        return self.u8() != 0

    def octets(self, count: int) -> bytes:
        """`count` bytes as they are, unaligned."""
        start = self.at
        if count > self.end - start:
            raise WireError(start, "ends inside a row of bytes")
        self.at = start + count
        return self.data[start : start + count]

    def count(self, least_bytes: int = 1, most: int = MAX_SEQUENCE) -> int:
        """A sequence's length, at most `most`; no more than fit when each element takes `least_bytes`."""
        start = self.at
        count = self.u32()
        if count > most or count * least_bytes > self.end - self.at:
            raise WireError(start, "sequence longer than its bytes or than any real one")
        return count

    def string(self) -> str:
        """A string; bytes that are not UTF-8 come out escaped, an absent terminator is an error."""
        start = self.at
        length = self.u32()
        if length > MAX_STRING_BYTES or length > self.end - self.at:
            raise WireError(start, "string longer than its bytes")
        if not length:
            return ""  # not legal, and sent by some
        raw = self.octets(length)
        if raw.find(0) != length - 1:
            raise WireError(start, "string without its terminator, or with one inside")
        return raw[:-1].decode("utf-8", "backslashreplace")

    def blob(self) -> bytes:
        """A sequence of octets."""
        return self.octets(self.count())

    def inner(self, length: int) -> Reader:
        """A reader of the next `length` bytes with this one's origin; this one goes on after them."""
        start = self.at
        if length > self.end - start:
            raise WireError(start, "delimited part longer than its bytes")
        inner = Reader(self.data, little=self.little, widest=self.widest, at=start, end=start + length)
        inner.origin = self.origin
        self.at = start + length
        return inner

    def delimited(self) -> Reader:
        """What a DHEADER delimits (XTypes 1.3, 7.4.3.4.1)."""
        return self.inner(self.u32())

    def members(self) -> Iterator[tuple[int, bool, Reader]]:
        """The members of a mutable XCDR2 struct whose DHEADER was read: id, must-understand, content.

        For length codes 5 to 7 the content begins with the NEXTINT, which is then also its own count.
        """
        while self.end - self.at >= ALIGN_BYTES:
            header = self.u32()
            code = header >> LENGTH_CODE_SHIFT & 7
            if code < NEXT_INT:
                length = 1 << code
            else:
                before = self.at
                length = self.u32() * _NEXT_INT_UNITS[code]
                if code >= _REUSES_LENGTH:
                    self.at = before
                    length += ALIGN_BYTES
            yield header & MEMBER_MASK, bool(header & MUST_UNDERSTAND), self.inner(length)
            self.align(ALIGN_BYTES)


class Writer:
    """Builds what `Reader` reads.  Trusts its caller: a number out of range is a struct.error."""

    __slots__ = ("data", "little", "origin", "widest")

    def __init__(self, *, little: bool = True, widest: int = 8, header: bytes = b"") -> None:
        self.data = bytearray(header)
        self.little = little
        self.widest = widest
        self.origin = len(header)

    def align(self, size: int) -> None:
        self.data += bytes(-(len(self.data) - self.origin) & (min(size, self.widest) - 1))

    def number(self, kind: Number, value: float) -> None:
        self.align(_SIZES[kind])
        self.data += _STRUCTS[self.little][kind].pack(value)

    def u8(self, value: int) -> None:
        self.number(Number.U8, value)

    def u16(self, value: int) -> None:
        self.number(Number.U16, value)

    def i16(self, value: int) -> None:
        self.number(Number.I16, value)

    def u32(self, value: int) -> None:
        self.number(Number.U32, value)

    def i32(self, value: int) -> None:
        self.number(Number.I32, value)

    def u64(self, value: int) -> None:
        self.number(Number.U64, value)

    def i64(self, value: int) -> None:
        self.number(Number.I64, value)

    def f32(self, value: float) -> None:
        self.number(Number.F32, value)

    def f64(self, value: float) -> None:
        self.number(Number.F64, value)

    def boolean(self, value: bool) -> None:
        self.u8(int(value))

    def octets(self, value: bytes) -> None:
        self.data += value

    def string(self, value: str) -> None:
        raw = value.encode()
        self.u32(len(raw) + 1)
        self.data += raw + b"\0"

    def blob(self, value: bytes) -> None:
        self.u32(len(value))
        self.data += value

    @contextmanager
    def delimited(self) -> Iterator[None]:
        """A DHEADER before what is written inside the `with`."""
        self.u32(0)
        start = len(self.data)
        yield
        _STRUCTS[self.little][Number.U32].pack_into(self.data, start - 4, len(self.data) - start)

    @contextmanager
    def member(self, member_id: int, code: int = NEXT_INT, must_understand: bool = False) -> Iterator[None]:
        """An EMHEADER before what is written inside the `with`.

        Length codes 0 to 3: 1, 2, 4 or 8 bytes follow; NEXT_INT: any number, counted here; above it: what
        follows begins with a count of its own.
        """
        self.u32(must_understand << 31 | code << LENGTH_CODE_SHIFT | member_id)
        if code != NEXT_INT:
            yield
        else:
            with self.delimited():
                yield
