"""CDR: published byte vectors, Cyclone's serializer, and bytes that lie about themselves.

Sources: CHECKS 3.1 to 3.3 (OMG XTypes 1.3, 7.4; vectors by a third implementation, checked by hand);
Cyclone DDS 11.0.1's own Python serializer (`cyclonedds.idl`) for random values.
"""

import struct
from contextlib import suppress
from dataclasses import dataclass, fields
from hashlib import md5
from typing import Any

import pytest
from cyclonedds.idl import IdlStruct
from cyclonedds.idl import annotations as mark
from cyclonedds.idl import types as idl
from cyclonedds.idl._support import Endianness
from hypothesis import given, settings
from hypothesis import strategies as st

from toprung.wire.cdr import (
    HEADER_BYTES,
    Encapsulation,
    Encoding,
    Number,
    Reader,
    WireError,
    Writer,
    encapsulation,
)
from toprung.wire.limits import MAX_SEQUENCE

# ---- types, once as Cyclone sees them and once as a schema for the walker below ------------------------


@dataclass
@mark.final
class Mixed(IdlStruct, typename="fernhouse::Mixed"):
    a: idl.uint8
    b: idl.uint32
    c: idl.uint16
    d: idl.float64
    e: idl.int8
    f: idl.int64
    g: bool
    h: idl.int16
    i: idl.uint64
    j: idl.float32
    k: idl.int32


@dataclass
@mark.final
class Names(IdlStruct, typename="fernhouse::Names"):
    name: str
    rows: idl.array[idl.int32, 3]
    aliases: idl.sequence[str]
    long: idl.sequence[idl.int64]
    raw: idl.sequence[idl.uint8]


@dataclass
@mark.final
class Pot(IdlStruct, typename="fernhouse::Pot"):
    row: idl.uint16
    wet: idl.uint8


@dataclass
@mark.final
class Bench(IdlStruct, typename="fernhouse::Bench"):
    pots: idl.sequence[Pot]
    best: Pot
    height: idl.float64


@dataclass
@mark.appendable
class Grown(IdlStruct, typename="fernhouse::Grown"):
    age: idl.uint8
    size: idl.float64
    label: str
    pots: idl.sequence[Pot]


@dataclass
@mark.mutable
class Loose(IdlStruct, typename="fernhouse::Loose"):
    a: idl.uint8
    b: idl.uint16
    c: idl.uint32
    d: idl.float64
    e: str
    f: idl.sequence[str]
    g: idl.sequence[idl.uint8]
    h: idl.sequence[idl.int32]
    i: idl.sequence[idl.int64]
    j: idl.sequence[idl.int16]
    k: idl.array[idl.int32, 2]


@dataclass(frozen=True)
class Seq:
    """A sequence in a schema."""

    element: Any


@dataclass(frozen=True)
class Row:
    """An array in a schema."""

    count: int
    element: Any


POT = [("row", Number.U16), ("wet", Number.U8)]
SCHEMAS: dict[type[IdlStruct], list[tuple[str, Any]]] = {
    Mixed: [
        ("a", Number.U8), ("b", Number.U32), ("c", Number.U16), ("d", Number.F64), ("e", Number.I8),
        ("f", Number.I64), ("g", bool), ("h", Number.I16), ("i", Number.U64), ("j", Number.F32),
        ("k", Number.I32),
    ],
    Names: [
        ("name", str), ("rows", Row(3, Number.I32)), ("aliases", Seq(str)), ("long", Seq(Number.I64)),
        ("raw", Seq(Number.U8)),
    ],
    Pot: POT,
    Bench: [("pots", Seq(Pot)), ("best", Pot), ("height", Number.F64)],
    Grown: [("age", Number.U8), ("size", Number.F64), ("label", str), ("pots", Seq(Pot))],
    Loose: [  # Cyclone numbers the members from 0
        ("a", Number.U8), ("b", Number.U16), ("c", Number.U32), ("d", Number.F64), ("e", str),
        ("f", Seq(str)), ("g", Seq(Number.U8)), ("h", Seq(Number.I32)), ("i", Seq(Number.I64)),
        ("j", Seq(Number.I16)), ("k", Row(2, Number.I32)),
    ],
}  # fmt: skip
PRIMITIVE_BYTES = {bool: 1} | {n: int(n.name[1:]) // 8 for n in Number}
PLAIN_2 = {"final": Encoding.CDR2, "appendable": Encoding.D_CDR2, "mutable": Encoding.PL_CDR2}
EXTENSIBILITY = {Grown: "appendable", Loose: "mutable"}


def extensibility(kind: type) -> str:
    return EXTENSIBILITY.get(kind, "final")


def integers(number: Number) -> st.SearchStrategy[int]:
    bits = PRIMITIVE_BYTES[number] * 8
    low, high = (0, 2**bits) if number.name[0] == "U" else (-(2 ** (bits - 1)), 2 ** (bits - 1))
    return st.integers(low, high - 1)


def values(kind: Any) -> st.SearchStrategy[Any]:
    if kind in SCHEMAS:
        return st.builds(kind, **{name: values(part) for name, part in SCHEMAS[kind]})
    if isinstance(kind, Seq):
        return st.lists(values(kind.element), max_size=5)
    if isinstance(kind, Row):
        return st.lists(values(kind.element), min_size=kind.count, max_size=kind.count)
    if kind is str:
        return st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\0"), max_size=9)
    if kind is bool:
        return st.booleans()
    if kind.name[0] == "F":
        return st.floats(width=PRIMITIVE_BYTES[kind] * 8, allow_nan=False)
    return integers(kind)


def push(writer: Writer, kind: Any, value: Any) -> None:
    """Writes any value by its schema: XTypes 1.3, 7.4.3.5, in the words of `Writer`."""
    if kind in SCHEMAS:
        push_struct(writer, kind, value)
    elif isinstance(kind, Seq | Row):
        if writer.widest == 4 and kind.element not in PRIMITIVE_BYTES:
            with writer.delimited():
                push_elements(writer, kind, value)
        else:
            push_elements(writer, kind, value)
    elif kind is str:
        writer.string(value)
    elif kind is bool:
        writer.boolean(value)
    else:
        writer.number(kind, value)


def push_elements(writer: Writer, kind: Seq | Row, value: list[Any]) -> None:
    if isinstance(kind, Seq):
        writer.u32(len(value))
    for item in value:
        push(writer, kind.element, item)


def push_struct(writer: Writer, kind: Any, value: Any) -> None:
    parts = [(part, getattr(value, name)) for name, part in SCHEMAS[kind]]
    if writer.widest == 8 or extensibility(kind) == "final":
        for part, item in parts:
            push(writer, part, item)
    elif extensibility(kind) == "appendable":
        with writer.delimited():
            for part, item in parts:
                push(writer, part, item)
    else:
        with writer.delimited():
            for number, (part, item) in enumerate(parts):
                with writer.member(number, cyclone_code(part)):
                    push(writer, part, item)


def cyclone_code(part: Any) -> int:
    """The length code that Cyclone chooses: the count of what follows does for the member where it can."""
    if part in PRIMITIVE_BYTES:
        return (1, 2, 4, 8).index(PRIMITIVE_BYTES[part])
    if isinstance(part, Seq) and part.element in PRIMITIVE_BYTES:
        return {1: 5, 4: 6, 8: 7}.get(PRIMITIVE_BYTES[part.element], 4)
    return 5 if part is str or isinstance(part, Seq) else 4


def pull(reader: Reader, kind: Any) -> Any:
    if kind in SCHEMAS:
        return pull_struct(reader, kind)
    if isinstance(kind, Seq | Row):
        source = reader.delimited() if reader.widest == 4 and kind.element not in PRIMITIVE_BYTES else reader
        count = source.count() if isinstance(kind, Seq) else kind.count
        return [pull(source, kind.element) for _ in range(count)]
    if kind is str:
        return reader.string()
    if kind is bool:
        return reader.boolean()
    return getattr(reader, kind.name.lower())()


def pull_struct(reader: Reader, kind: Any) -> Any:
    if reader.widest == 4 and extensibility(kind) == "mutable":
        members = {number: content for number, _, content in reader.delimited().members()}
        return kind(*(pull(members[n], part) for n, (_, part) in enumerate(SCHEMAS[kind])))
    if reader.widest == 4 and extensibility(kind) == "appendable":
        reader = reader.delimited()
    return kind(*(pull(reader, part) for _, part in SCHEMAS[kind]))


CASES = [
    (kind, version_2, little)
    for kind in SCHEMAS
    for version_2 in (False, True)
    for little in (False, True)
    if version_2 or kind is not Loose  # Cyclone writes mutable types in XCDR2 only
]


@pytest.mark.parametrize(("kind", "version_2", "little"), CASES)
def test_random_values_as_cyclone_serializes_them(kind: Any, version_2: bool, little: bool) -> None:
    encoding = PLAIN_2[extensibility(kind)] if version_2 else Encoding.CDR

    @settings(max_examples=40, deadline=None)
    @given(values(kind))
    def check(value: Any) -> None:
        order = Endianness.Little if little else Endianness.Big
        theirs = value.serialize(endianness=order, use_version_2=version_2)
        writer = Writer(little=little, widest=encoding.widest, header=bytes(Encapsulation(encoding, little)))
        push(writer, kind, value)
        assert bytes(writer.data) == theirs
        header = encapsulation(theirs)
        assert header == Encapsulation(encoding, little)
        reader = Reader(theirs, little=header.little, widest=header.encoding.widest, at=HEADER_BYTES)
        assert pull(reader, kind) == value
        assert reader.left() == 0

    check()


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


def test_published_vectors_with_headers_inside() -> None:
    def appendable(w: Writer) -> None:
        with w.delimited():
            w.u8(1), w.u32(0x01020304), w.u16(0x0506), w.f64(1.5)

    def mutable(w: Writer) -> None:
        with w.delimited():
            for number, (code, method, value) in enumerate(
                [(0, w.u8, 1), (2, w.u32, 0x01020304), (1, w.u16, 0x0506), (3, w.f64, 1.5)]
            ):
                with w.member(number, code):
                    method(value)

    def strings(w: Writer) -> None:
        with w.delimited():
            w.u32(2), w.string("A"), w.string("BC")

    def named(w: Writer) -> None:
        with w.delimited():
            with w.member(0, 1):
                w.u16(0x1234)
            with w.member(1):
                w.string("hi")

    def optional(w: Writer) -> None:
        with w.delimited():
            w.u8(5), w.boolean(True), w.u32(9)

    def absent(w: Writer) -> None:
        with w.delimited():
            w.u8(5), w.boolean(False)

    def structs(w: Writer) -> None:
        with w.delimited():
            w.u32(2), w.u16(1), w.u8(2), w.u16(3), w.u8(4)

    def numbers(w: Writer) -> None:
        w.string("ab"), w.u32(2), w.i64(1), w.i64(-1), w.blob(bytes((7, 8, 9)))

    expected = {
        optional: (Encoding.D_CDR2, "00090000 08000000 05 01 0000 09000000"),
        absent: (Encoding.D_CDR2, "00090000 02000000 05 00"),
        structs: (Encoding.CDR2, "00070000 0B000000 02000000 0100 02 00 0300 04"),
        numbers: (
            Encoding.CDR2,
            "00070000 03000000 616200 00 02000000 0100000000000000 FFFFFFFFFFFFFFFF 03000000 070809",
        ),
        appendable: (Encoding.D_CDR2, "00090000 14000000 01000000 04030201 0605 0000 000000000000F83F"),
        mutable: (
            Encoding.PL_CDR2,
            "000B0000 24000000 00000000 01 000000 01000020 04030201 02000010 0605 0000 03000030"
            " 000000000000F83F",
        ),
        strings: (Encoding.CDR2, "00070000 13000000 02000000 02000000 4100 0000 03000000 424300"),
        named: (
            Encoding.PL_CDR2,
            "000B0000 17000000 00000010 3412 0000 01000040 07000000 03000000 686900",
        ),
    }
    for fill, (encoding, text) in expected.items():
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


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(list(SCHEMAS)), st.binary(max_size=80), st.booleans(), st.sampled_from([4, 8]))
def test_any_bytes_read_or_raise_wire_errors_only(kind: Any, raw: bytes, little: bool, widest: int) -> None:
    reader = Reader(raw, little=little, widest=widest)
    with suppress(WireError, KeyError):  # KeyError: the walker above misses a member
        pull(reader, kind)
    assert 0 <= reader.at <= len(raw)


def test_schemas_name_every_field() -> None:
    for kind, schema in SCHEMAS.items():
        assert [f.name for f in fields(kind)] == [name for name, _ in schema]  # type: ignore[arg-type]
