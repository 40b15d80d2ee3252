"""CDR: published byte vectors, and bytes that lie about themselves.

Source: CHECKS 3.1 to 3.3 (OMG XTypes 1.3, 7.4; vectors by another implementation, checked by hand).
"""

import struct
from collections.abc import Callable
from hashlib import md5
from typing import Any

import pytest

from toprung.wire.cdr import (
    HEADER_BYTES,
    Encapsulation,
    Encoding,
    Reader,
    WireError,
    Writer,
    encapsulation,
)
from toprung.wire.limits import MAX_SEQUENCE

# ---- CHECKS 3.2 --------------------------------------------------------------------------------------

SMALL = [("u8", 1), ("u32", 0x01020304), ("u16", 0x0506), ("f64", 1.5)]
BLUE = [("string", "BLUE"), ("i32", 10), ("i32", 20), ("i32", 30)]
WIDE = [("u8", 0xAA), ("f64", 1.0)]
VECTORS = [
    (Encoding.CDR, True, SMALL, "00010000 01000000 04030201 0605 0000 00000000 000000000000F83F"),
    (Encoding.CDR, False, SMALL, "00000000 01000000 01020304 0506 0000 00000000 3FF8000000000000"),
    (Encoding.CDR2, True, SMALL, "00070000 01000000 04030201 0605 0000 000000000000F83F"),
    (Encoding.CDR, True, BLUE, "00010000 05000000 424C554500 000000 0A000000 14000000 1E000000"),
    (Encoding.CDR, False, BLUE, "00000000 00000005 424C554500 000000 0000000A 00000014 0000001E"),
    (Encoding.CDR, True, WIDE, "00010000 AA 00000000000000 000000000000F03F"),
    (Encoding.CDR2, True, WIDE, "00070000 AA 000000 000000000000F03F"),
]


@pytest.mark.parametrize(("encoding", "little", "parts", "expected"), VECTORS)
def test_published_vectors(
    encoding: Encoding, little: bool, parts: list[tuple[str, Any]], expected: str
) -> None:
    raw = bytes.fromhex(expected)
    writer = Writer(little=little, widest=encoding.widest, header=bytes(Encapsulation(encoding, little)))
    for method, value in parts:
        getattr(writer, method)(value)
    assert bytes(writer.data) == raw
    reader = Reader(raw, little=little, widest=encoding.widest, at=HEADER_BYTES)
    assert [(method, getattr(reader, method)()) for method, _ in parts] == parts
    assert reader.left() == 0


def _write(encoding: Encoding, fill: Any) -> str:
    writer = Writer(widest=encoding.widest, header=bytes(Encapsulation(encoding, True)))
    fill(writer)
    return writer.data.hex().upper()


def _appendable(w: Writer) -> None:
    with w.delimited():
        w.u8(1), w.u32(0x01020304), w.u16(0x0506), w.f64(1.5)


def _mutable(w: Writer) -> None:
    with w.delimited():
        for number, (code, method, value) in enumerate(
            [(0, w.u8, 1), (2, w.u32, 0x01020304), (1, w.u16, 0x0506), (3, w.f64, 1.5)]
        ):
            with w.member(number, code):
                method(value)


def _strings(w: Writer) -> None:
    with w.delimited():
        w.u32(2), w.string("A"), w.string("BC")


def _named(w: Writer) -> None:
    with w.delimited():
        with w.member(0, 1):
            w.u16(0x1234)
        with w.member(1):
            w.string("hi")


def _optional(w: Writer) -> None:
    with w.delimited():
        w.u8(5), w.boolean(True), w.u32(9)


def _absent(w: Writer) -> None:
    with w.delimited():
        w.u8(5), w.boolean(False)


def _structs(w: Writer) -> None:
    with w.delimited():
        w.u32(2), w.u16(1), w.u8(2), w.u16(3), w.u8(4)


def _numbers(w: Writer) -> None:
    w.string("ab"), w.u32(2), w.i64(1), w.i64(-1), w.blob(bytes((7, 8, 9)))


HEADERS_INSIDE = {
    _optional: (Encoding.D_CDR2, "00090000 08000000 05 01 0000 09000000"),
    _absent: (Encoding.D_CDR2, "00090000 02000000 05 00"),
    _structs: (Encoding.CDR2, "00070000 0B000000 02000000 0100 02 00 0300 04"),
    _numbers: (
        Encoding.CDR2,
        "00070000 03000000 616200 00 02000000 0100000000000000 FFFFFFFFFFFFFFFF 03000000 070809",
    ),
    _appendable: (Encoding.D_CDR2, "00090000 14000000 01000000 04030201 0605 0000 000000000000F83F"),
    _mutable: (
        Encoding.PL_CDR2,
        "000B0000 24000000 00000000 01 000000 01000020 04030201 02000010 0605 0000 03000030 000000000000F83F",
    ),
    _strings: (Encoding.CDR2, "00070000 13000000 02000000 02000000 4100 0000 03000000 424300"),
    _named: (
        Encoding.PL_CDR2,
        "000B0000 17000000 00000010 3412 0000 01000040 07000000 03000000 686900",
    ),
}


@pytest.mark.parametrize("fill", HEADERS_INSIDE)
def test_published_vectors_with_headers_inside(fill: Callable[[Writer], object]) -> None:
    encoding, text = HEADERS_INSIDE[fill]
    assert _write(encoding, fill) == text.replace(" ", "")


def test_member_headers_say_length_and_id() -> None:
    """CHECKS 3.2: 0x20000001 is length code 2, id 1; 0x40000001 is length code 4 with a NEXTINT, id 1."""
    raw = bytes.fromhex("01000020 2A000000 010000C0 04000000 DEADBEEF")
    members = [(n, must, r.data[r.at : r.end].hex()) for n, must, r in Reader(raw, widest=4).members()]
    assert members == [(1, False, "2a000000"), (1, True, "deadbeef")]  # top bit: must be understood


@pytest.mark.parametrize(
    ("code", "following", "expected"),
    [
        (4, "03000000 616263", "616263"),
        (5, "03000000 616263", "03000000616263"),  # a sequence of octets, its own count first
        (6, "02000000 0100000002000000", "020000000100000002000000"),  # of four-byte elements
        (7, "01000000 0102030405060708", "010000000102030405060708"),  # of eight-byte elements
    ],
)
def test_length_codes_with_a_next_int(code: int, following: str, expected: str) -> None:
    """XTypes 1.3, 7.4.3.4.2, table 39."""
    raw = struct.pack("<I", code << 28 | 9) + bytes.fromhex(following)
    ((number, must, content),) = list(Reader(raw, widest=4).members())
    assert (number, must) == (9, False)
    assert content.data[content.at : content.end].hex() == expected


def test_member_id_hashes() -> None:
    """CHECKS 3.3 (XTypes 1.3, 7.3.1.2.1.1): ids that a mutable type derives from its members' names."""

    def hashed(name: str) -> int:
        return int.from_bytes(md5(name.encode()).digest()[:4], "little") & 0x0FFFFFFF

    expected = {"getTypes": 25_318_099, "getDependencies": 95_091_505, "color": 262_528_368,
                "shapesize": 74_944_730, "x": 31_773_853}  # fmt: skip
    for name, number in expected.items():
        assert hashed(name) == number
        writer = Writer(widest=4)
        with writer.member(number, 2):
            writer.u32(7)
        ((found, _, content),) = list(Reader(bytes(writer.data), widest=4).members())
        assert (found, content.u32()) == (number, 7)


@pytest.mark.parametrize(("first", "encoding", "little"), [
    (0x0000, Encoding.CDR, False), (0x0001, Encoding.CDR, True), (0x0002, Encoding.PL_CDR, False),
    (0x0003, Encoding.PL_CDR, True), (0x0006, Encoding.CDR2, False), (0x0007, Encoding.CDR2, True),
    (0x0008, Encoding.D_CDR2, False), (0x0009, Encoding.D_CDR2, True), (0x000A, Encoding.PL_CDR2, False),
    (0x000B, Encoding.PL_CDR2, True),
])  # fmt: skip
def test_deployed_encapsulation_ids(first: int, encoding: Encoding, little: bool) -> None:
    """CHECKS 3.1."""
    raw = struct.pack(">HH", first, 3)
    assert encapsulation(raw) == Encapsulation(encoding, little, 3)
    assert bytes(encapsulation(raw)) == raw
    assert encoding.widest == (8 if first <= 3 else 4)


@pytest.mark.parametrize("raw", [b"", b"\0", b"\0\1\0", b"\0\4\0\0", b"\0\x10\0\0", b"\xff\xff\0\0"])
def test_unknown_encapsulation(raw: bytes) -> None:
    with pytest.raises(WireError):
        encapsulation(raw)


# ---- bytes that lie ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("pull_one", "raw", "why"), [
    (Reader.u64, "00000000000000", "ends inside a number"),
    (Reader.string, "FFFFFFFF41", "string longer than its bytes"),
    (Reader.string, "0200000041FF", "string without its terminator, or with one inside"),
    (Reader.string, "03000000410000", "string without its terminator, or with one inside"),
    (Reader.blob, "FFFFFF7F", "sequence longer than its bytes or than any real one"),
    (Reader.delimited, "0500000001", "delimited part longer than its bytes"),
    (lambda r: r.count(8), "0300000000000000000000000000000000", "sequence longer"),
    (lambda r: list(r.members()), "00000040 FFFFFFFF", "delimited part longer than its bytes"),
    (lambda r: list(r.members()), "00000070 FFFFFFFF", "delimited part longer than its bytes"),
])  # fmt: skip
def test_lies_are_wire_errors_with_a_place(pull_one: Any, raw: str, why: str) -> None:
    data = bytes.fromhex(raw)
    with pytest.raises(WireError, match=why) as caught:
        pull_one(Reader(data))
    assert 0 <= caught.value.offset <= len(data)


def test_a_sequence_is_never_longer_than_the_limit() -> None:
    data = struct.pack("<I", MAX_SEQUENCE + 1) + bytes(MAX_SEQUENCE + 1)
    with pytest.raises(WireError):
        Reader(data).count()
