"""CDR of random values as Cyclone DDS 11.0.1's own Python serializer (`cyclonedds.idl`) writes them."""

from contextlib import suppress
from dataclasses import dataclass, fields
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
