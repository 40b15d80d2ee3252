"""How the values of parameters lie in their bytes.

A shape reads a parameter's body into one value for each field that the parameter carries, and writes it
back, without the padding to four bytes.  Bodies are CDR with their own origin (DDSI-RTPS 2.5, 9.4.2.11).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from struct import Struct
from typing import Any

from toprung.model.picture import Guid
from toprung.wire.cdr import Reader, WireError, Writer
from toprung.wire.limits import MAX_NAMES
from toprung.wire.locators import LOCATOR_BYTES, read_locator, write_locator
from toprung.wire.times import duration_ns, duration_wire

Values = tuple[Any, ...]
GUID_BYTES = 16
PREFIX_BYTES = 12
PADDING = 3  # bytes that may follow a value, so that parameters stay aligned to four


@dataclass(frozen=True, slots=True)
class Shape:
    """`read(body, little)` raises WireError with an offset in the body; `write(values, little)`."""

    read: Callable[[bytes, bool], Values]
    write: Callable[[Values, bool], bytes]


@dataclass(frozen=True, slots=True)
class Item:
    """One value made of one or more primitives, as `struct` spells them."""

    codes: str
    read: Callable[..., Any]
    write: Callable[[Any], tuple[Any, ...]]


def _alone(value: Any) -> tuple[Any, ...]:
    return (value,)


U32 = Item("I", int, _alone)
I32 = Item("i", int, _alone)
TRUTH = Item("?", bool, _alone)
DURATION = Item("iI", duration_ns, duration_wire)
VERSION = Item("BB", lambda major, minor: (major, minor), tuple)


def word(enum: type[IntEnum], first: int = 0) -> Item:
    """One of an enumeration's words, a uint32 that starts at `first` on the wire."""
    words = {int(word) + first: word for word in enum}

    def read(value: int) -> IntEnum:
        if value not in words:
            raise WireError(0, "kind that the standard does not have")
        return words[value]

    return Item("I", read, lambda value: (value + first,))


def _stand_at_end(body: bytes, at: int) -> None:
    """Every byte but the padding must be understood."""
    if len(body) - at > PADDING:
        raise WireError(at, "parameter longer than its value")


def fixed(*items: Item) -> Shape:
    """Items one after the other, none of which needs alignment."""
    codes = "".join(item.codes for item in items)
    structs = (Struct(">" + codes), Struct("<" + codes))
    size = structs[0].size
    takes: list[tuple[Callable[..., Any], int, int]] = []
    for item in items:
        start = takes[-1][2] if takes else 0
        takes.append((item.read, start, start + len(item.codes)))

    def read(body: bytes, little: bool) -> Values:
        if len(body) < size:
            raise WireError(0, "parameter shorter than its value")
        _stand_at_end(body, size)
        raw = structs[little].unpack_from(body)
        return tuple([take(*raw[start:end]) for take, start, end in takes])

    def write(values: Values, little: bool) -> bytes:
        raw = [part for item, value in zip(items, values, strict=True) for part in item.write(value)]
        return structs[little].pack(*raw)

    return Shape(read, write)


def streamed(pull: Callable[[Reader], Any], push: Callable[[Writer, Any], None]) -> Shape:
    """One value of variable length, read and written with the CDR cursor."""

    def read(body: bytes, little: bool) -> Values:
        reader = Reader(body, little=little)
        value = pull(reader)
        _stand_at_end(body, reader.at)
        return (value,)

    def write(values: Values, little: bool) -> bytes:
        writer = Writer(little=little)
        push(writer, values[0])
        return bytes(writer.data)

    return Shape(read, write)


def exact(size: int, read: Callable[[bytes, bool], Any], write: Callable[[Any, bool], bytes]) -> Shape:
    """One value of `size` bytes that has a reader and a writer of its own."""

    def pull(body: bytes, little: bool) -> Values:
        if len(body) < size:
            raise WireError(0, "parameter shorter than its value")
        _stand_at_end(body, size)
        return (read(body[:size], little),)

    return Shape(pull, lambda values, little: write(values[0], little))


def read_guid(raw: bytes, little: bool = True) -> Guid:
    """A GUID: bytes in the order of the standard's print, whatever the byte order of the rest."""
    return Guid(raw[:PREFIX_BYTES], int.from_bytes(raw[PREFIX_BYTES:GUID_BYTES], "big"))


def write_guid(guid: Guid, little: bool = True) -> bytes:
    return guid.prefix + guid.entity.to_bytes(4, "big")


def _strings(reader: Reader) -> tuple[str, ...]:
    return tuple([reader.string() for _ in range(reader.count(4, MAX_NAMES))])


def _push_strings(writer: Writer, values: tuple[str, ...]) -> None:
    writer.u32(len(values))
    for value in values:
        writer.string(value)


def _representations(reader: Reader) -> tuple[int, ...]:
    return tuple([reader.i16() for _ in range(reader.count(2))])


def _push_representations(writer: Writer, values: tuple[int, ...]) -> None:
    writer.u32(len(values))
    for value in values:
        writer.i16(value)


def _big(size: int) -> Shape:
    """An integer that is a row of octets, whatever the byte order of the rest."""
    return exact(
        size, lambda raw, little: int.from_bytes(raw, "big"), lambda v, little: v.to_bytes(size, "big")
    )


def _read_raw(body: bytes, little: bool) -> Values:
    return (body,)


STRING = streamed(Reader.string, Writer.string)
STRINGS = streamed(_strings, _push_strings)
BLOB = streamed(Reader.blob, Writer.blob)
RAW = Shape(_read_raw, lambda values, little: bytes(values[0]))
REPRESENTATIONS = streamed(_representations, _push_representations)
GUID = exact(GUID_BYTES, read_guid, write_guid)
LOCATOR = exact(LOCATOR_BYTES, read_locator, write_locator)
OCTETS16 = exact(GUID_BYTES, lambda raw, little: raw, lambda value, little: bytes(value))
BIG16 = _big(2)
BIG32 = _big(4)
