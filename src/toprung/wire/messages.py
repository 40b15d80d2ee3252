"""Whole RTPS messages, written: the header and the submessages that announcements travel in.

DDSI-RTPS 2.5, 9.4.4 (header), 9.4.5 (submessages) and 9.4.2 (their elements).  Reading is the scan's; this
is its inverse for the kinds that discovery and small samples need, so that a forecast can count bytes.
"""

from __future__ import annotations

from collections.abc import Iterable
from struct import Struct
from typing import NamedTuple

from toprung.wire.cdr import ALIGN_BYTES
from toprung.wire.ids import MAGIC, MAX_SET_BITS, Flag, Sub
from toprung.wire.times import time_wire

PROTOCOL_VERSION = (2, 5)
SUBMESSAGE_HEADER_BYTES = 4
IP4_HEADER_BYTES = 20  # RFC 791, without options
UDP_HEADER_BYTES = 8  # RFC 768
_OCTETS_TO_INLINE_QOS = 16  # reader, writer, sequence number
_OCTETS_TO_INLINE_QOS_FRAG = 28  # and first fragment, count, fragment size, sample size
_WORD_BITS = 32


class _Pack:
    """The structs of one byte order."""

    __slots__ = ("data", "fragment", "header", "long", "number", "time")

    def __init__(self, order: str) -> None:
        self.header = Struct(order + "BBH")
        self.data = Struct(order + "HH")
        self.number = Struct(order + "iI")
        self.long = Struct(order + "I")
        self.time = Struct(order + "II")
        self.fragment = Struct(order + "IHHI")


_PACKS = (_Pack(">"), _Pack("<"))  # [little]


def message(
    prefix: bytes, vendor: int, submessages: Iterable[bytes], version: tuple[int, int] = PROTOCOL_VERSION
) -> bytes:
    """An RTPS message: what a UDP datagram carries (9.4.4)."""
    return MAGIC + bytes(version) + vendor.to_bytes(2, "big") + prefix + b"".join(submessages)


def submessage(kind: Sub, body: bytes, flags: int = 0, little: bool = True) -> bytes:
    """Any submessage, padded to four bytes."""
    body += bytes(-len(body) % ALIGN_BYTES)
    return _PACKS[little].header.pack(kind, flags | little, len(body)) + body


def info_ts(time_ns: int | None, little: bool = True) -> bytes:
    """The source timestamp of what follows; None: it has none any more."""
    if time_ns is None:
        return submessage(Sub.INFO_TS, b"", Flag.INVALIDATE, little)
    return submessage(Sub.INFO_TS, _PACKS[little].time.pack(*time_wire(time_ns)), 0, little)


def info_dst(prefix: bytes, little: bool = True) -> bytes:
    """Whom what follows is for."""
    return submessage(Sub.INFO_DST, prefix, 0, little)


def data(
    reader: int,
    writer: int,
    sequence: int,
    payload: bytes = b"",
    inline_qos: bytes = b"",
    key: bool = False,
    little: bool = True,
) -> bytes:
    """One sample, or with `key` its key alone; `inline_qos` is a list with its sentinel."""
    pack = _PACKS[little]
    flags = Flag.INLINE_QOS * bool(inline_qos) | (Flag.KEY if key else Flag.PAYLOAD) * bool(payload)
    body = pack.data.pack(0, _OCTETS_TO_INLINE_QOS) + _entities(reader, writer) + _sequence(sequence, little)
    return submessage(Sub.DATA, body + inline_qos + payload, flags, little)


class Piece(NamedTuple):
    """Some fragments of a sample: so many from the 1-based `first`, `size` bytes each."""

    first: int
    fragments: int
    size: int


def data_frag(
    reader: int,
    writer: int,
    sequence: int,
    piece: Piece,
    sample: bytes,
    inline_qos: bytes = b"",
    little: bool = True,
) -> bytes:
    """A piece of a serialised sample."""
    first, count, size = piece
    pack = _PACKS[little]
    body = (
        pack.data.pack(0, _OCTETS_TO_INLINE_QOS_FRAG)
        + _entities(reader, writer)
        + _sequence(sequence, little)
    )
    body += pack.fragment.pack(first, count, size, len(sample))
    start = (first - 1) * size
    part = sample[start : start + count * size]
    return submessage(Sub.DATA_FRAG, body + inline_qos + part, Flag.INLINE_QOS * bool(inline_qos), little)


def heartbeat(
    reader: int,
    writer: int,
    first: int,
    last: int,
    count: int,
    final: bool = False,
    little: bool = True,
) -> bytes:
    """What a writer still has; without `final` it demands an answer."""
    body = _entities(reader, writer) + _sequence(first, little) + _sequence(last, little)
    return submessage(Sub.HEARTBEAT, body + _PACKS[little].long.pack(count), Flag.FINAL * final, little)


def acknack(
    reader: int,
    writer: int,
    base: int,
    missing: Iterable[int],
    count: int,
    final: bool = False,
    little: bool = True,
) -> bytes:
    """All below `base` has come; of what follows, `missing` has not."""
    body = _entities(reader, writer) + sequence_set(base, missing, little) + _PACKS[little].long.pack(count)
    return submessage(Sub.ACKNACK, body, Flag.FINAL * final, little)


def gap(
    reader: int, writer: int, start: int, base: int, gone: Iterable[int] = (), little: bool = True
) -> bytes:
    """From `start` to below `base`, and of what follows `gone`, nothing will come."""
    body = _entities(reader, writer) + _sequence(start, little) + sequence_set(base, gone, little)
    return submessage(Sub.GAP, body, 0, little)


def sequence_set(base: int, members: Iterable[int], little: bool = True, bits: int | None = None) -> bytes:
    """SequenceNumberSet: `bits` long, or as long as its last member needs (9.4.2.6)."""
    return _sequence(base, little) + _bitmap(base, members, little, bits)


def fragment_set(base: int, members: Iterable[int], little: bool = True, bits: int | None = None) -> bytes:
    """FragmentNumberSet (9.4.2.8)."""
    return _PACKS[little].long.pack(base) + _bitmap(base, members, little, bits)


def _bitmap(base: int, members: Iterable[int], little: bool, bits: int | None) -> bytes:
    """Bit i, the most significant first, is `base` + i."""
    places = sorted({member - base for member in members})
    length = places[-1] + 1 if places else 0
    bits = length if bits is None else bits
    if length > bits or bits > MAX_SET_BITS or (places and places[0] < 0):
        raise ValueError("a set holds 256 numbers from its base on")
    words = [0] * -(-bits // _WORD_BITS)
    for place in places:
        words[place // _WORD_BITS] |= 1 << (_WORD_BITS - 1 - place % _WORD_BITS)
    pack = _PACKS[little].long.pack
    return pack(bits) + b"".join(map(pack, words))


def _entities(reader: int, writer: int) -> bytes:
    return reader.to_bytes(4, "big") + writer.to_bytes(4, "big")


def _sequence(number: int, little: bool) -> bytes:
    high, low = divmod(number, 1 << 32)
    return _PACKS[little].number.pack(high, low)
