"""Parameters that are small structs of their own, and how they lie in their bytes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from struct import Struct

from toprung.model.picture import Guid
from toprung.model.qos import History
from toprung.wire.cdr import Reader, WireError, Writer
from toprung.wire.limits import MAX_NAMES
from toprung.wire.shapes import GUID_BYTES, Shape, Values, exact, read_guid, streamed, write_guid
from toprung.wire.times import duration_ns, duration_wire


@dataclass(frozen=True, slots=True)
class DurabilityService:
    """How a durability service keeps a topic (DDS 1.4, 2.2.3.5); -1: unlimited."""

    cleanup_delay_ns: int = 0
    history: History = History.KEEP_LAST
    history_depth: int = 1
    max_samples: int = -1
    max_instances: int = -1
    max_samples_per_instance: int = -1


class Coercion(IntEnum):
    """TypeConsistencyKind (XTypes 1.3, 7.6.3.7)."""

    DISALLOW = 0
    ALLOW = 1


@dataclass(frozen=True, slots=True)
class TypeConsistency:
    """What a reader accepts as the same type (XTypes 1.3, 7.6.3.7)."""

    kind: Coercion = Coercion.ALLOW
    ignore_sequence_bounds: bool = True
    ignore_string_bounds: bool = True
    ignore_member_names: bool = False
    prevent_type_widening: bool = False
    force_type_validation: bool = False


@dataclass(frozen=True, slots=True)
class ContentFilter:
    """A reader's content filter (DDSI-RTPS 2.5, 9.6.4.1)."""

    filtered_topic: str
    related_topic: str
    filter_class: str
    expression: str
    arguments: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SampleIdentity:
    """One sample of one writer (DDSI-RTPS 2.5, 8.3.5.9): which sample this one answers or repeats."""

    writer: Guid
    sequence: int


_SERVICE = (Struct(">iIIiiii"), Struct("<iIIiiii"))  # [little]


def _read_service(raw: bytes, little: bool) -> DurabilityService:
    seconds, fraction, history, *rest = _SERVICE[little].unpack(raw)
    if history not in (History.KEEP_LAST, History.KEEP_ALL):
        raise WireError(8, "kind that the standard does not have")
    return DurabilityService(duration_ns(seconds, fraction), History(history), *rest)


def _write_service(value: DurabilityService, little: bool) -> bytes:
    return _SERVICE[little].pack(
        *duration_wire(value.cleanup_delay_ns),
        value.history,
        value.history_depth,
        value.max_samples,
        value.max_instances,
        value.max_samples_per_instance,
    )


DURABILITY_SERVICE = exact(_SERVICE[0].size, _read_service, _write_service)

_CONSISTENCY_FLAGS = 5


def _pull_consistency(reader: Reader) -> TypeConsistency:
    kind = reader.u16()
    if kind not in (Coercion.DISALLOW, Coercion.ALLOW):
        raise WireError(0, "kind that the standard does not have")
    flags = reader.octets(min(_CONSISTENCY_FLAGS, reader.left()))  # early ones sent the kind alone
    return TypeConsistency(Coercion(kind), *map(bool, flags))


def _push_consistency(writer: Writer, value: TypeConsistency) -> None:
    writer.u16(value.kind)
    writer.octets(
        bytes(
            (
                value.ignore_sequence_bounds,
                value.ignore_string_bounds,
                value.ignore_member_names,
                value.prevent_type_widening,
                value.force_type_validation,
            )
        )
    )


TYPE_CONSISTENCY = streamed(_pull_consistency, _push_consistency)


def _pull_filter(reader: Reader) -> ContentFilter:
    filtered, related, kind, expression = (reader.string() for _ in range(4))
    arguments = tuple([reader.string() for _ in range(reader.count(4, MAX_NAMES))])
    return ContentFilter(filtered, related, kind, expression, arguments)


def _push_filter(writer: Writer, value: ContentFilter) -> None:
    for text in (value.filtered_topic, value.related_topic, value.filter_class, value.expression):
        writer.string(text)
    writer.u32(len(value.arguments))
    for text in value.arguments:
        writer.string(text)


CONTENT_FILTER = streamed(_pull_filter, _push_filter)


_IDENTITY = (Struct(">iI"), Struct("<iI"))  # [little]: SequenceNumber_t, high and low


def _read_identity(raw: bytes, little: bool) -> SampleIdentity:
    high, low = _IDENTITY[little].unpack_from(raw, GUID_BYTES)
    return SampleIdentity(read_guid(raw), (high << 32) + low)


def _write_identity(value: SampleIdentity, little: bool) -> bytes:
    high, low = divmod(value.sequence, 1 << 32)
    return write_guid(value.writer) + _IDENTITY[little].pack(high, low)


SAMPLE_IDENTITY = exact(GUID_BYTES + 8, _read_identity, _write_identity)


def _read_properties(body: bytes, little: bool) -> Values:
    """Name and value pairs; binary ones may follow (DDS-Security 1.1, 7.2.1 to 7.2.4)."""
    reader = Reader(body, little=little)
    pairs = tuple([(reader.string(), reader.string()) for _ in range(reader.count(8, MAX_NAMES))])
    if reader.left() < 4:
        return pairs, None
    return pairs, tuple([(reader.string(), reader.blob()) for _ in range(reader.count(8, MAX_NAMES))])


def _write_properties(values: Values, little: bool) -> bytes:
    pairs, binary = values
    writer = Writer(little=little)
    writer.u32(len(pairs))
    for name, value in pairs:
        writer.string(name)
        writer.string(value)
    if binary is not None:
        writer.u32(len(binary))
        for name, value in binary:
            writer.string(name)
            writer.blob(value)
    return bytes(writer.data)


PROPERTIES = Shape(_read_properties, _write_properties)
