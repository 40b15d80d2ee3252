"""Discovery data: what participants and endpoints announce of themselves (DDSI-RTPS 2.5, 8.5 and 9.6).

Readers take a serialised payload and the inline QoS before it and return the data with the reasons why
parts of it could not be read; they never raise.  Writers make the same bytes again.

`sent` holds the parameter ids in the order of the wire.  What is not in it was left at its default.  A
writer follows `sent` where there is one; else it sends what differs from the defaults, in the table's
order.  Bytes come out as they came in, except: fractions of a nanosecond, strings that are not UTF-8 or
have length zero, padding that is not zero, truth values other than 0 and 1, the first twelve bytes of IPv4
locators, PAD parameters, an infinite duration in the DDS API's notation, and parameters that could not be
read or came twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import fields
from typing import Any, TypeVar

from toprung.model.picture import Guid, Side
from toprung.model.qos import Qos, Reliability
from toprung.wire.announcements import (
    LIVELINESS_AUTOMATIC,
    LIVELINESS_MANUAL,
    Announcement,
    EndpointData,
    InlineQos,
    LivelinessData,
    ParticipantData,
    Reading,
    Status,
    TopicData,
)
from toprung.wire.cdr import (
    ALIGN_BYTES,
    HEADER_BYTES,
    Encapsulation,
    Encoding,
    Reader,
    WireError,
    Writer,
    encapsulation,
)
from toprung.wire.limits import MAX_PAYLOAD_BYTES
from toprung.wire.parameters import Found, Malformed, Parameter, carried_by, read_list, write_list
from toprung.wire.shapes import GUID_BYTES, PREFIX_BYTES, read_guid

__all__ = [
    "DEFAULT_QOS",
    "LIVELINESS_AUTOMATIC",
    "LIVELINESS_MANUAL",
    "EndpointData",
    "InlineQos",
    "LivelinessData",
    "Malformed",
    "ParticipantData",
    "Reading",
    "Side",
    "Status",
    "TopicData",
    "read_endpoint",
    "read_inline_qos",
    "read_liveliness",
    "read_participant",
    "read_topic",
    "write_endpoint",
    "write_inline_qos",
    "write_liveliness",
    "write_participant",
    "write_topic",
]

T = TypeVar("T")
Bytes = bytes | memoryview

DEFAULT_QOS = {Side.WRITER: Qos(reliability=Reliability.RELIABLE), Side.READER: Qos()}  # DDS 1.4, 2.2.3
_QOS_FIELDS = frozenset(f.name for f in fields(Qos))
_ROWS = {
    "P": carried_by("P"),
    Side.WRITER: carried_by("W"),
    Side.READER: carried_by("R"),
    "T": carried_by("T"),
    "I": carried_by("I"),
}


def read_inline_qos(data: Bytes, little: bool = True) -> Reading[InlineQos]:
    """The inline QoS of a DATA or DATA_FRAG; `little` is the submessage's byte order."""
    found = read_list(bytes(data), 0, little, _ROWS["I"])
    return Reading(_inline(found), tuple(found.malformed))


def _inline(found: Found) -> InlineQos:
    values = found.values
    return InlineQos(
        status=Status(values.get("status", 0) & 7),
        key_hash=values.get("key_hash"),
        original=values.get("original"),
        related=values.get("related", values.get("related_vendor")),
        unknown=tuple(found.other),
    )


def write_inline_qos(data: InlineQos, little: bool = True) -> bytes:
    """The inline QoS with its sentinel; `related` under the number that the standard gave it."""
    values: dict[str, Any] = {
        "status": data.status or None,
        "key_hash": data.key_hash,
        "original": data.original,
        "related": data.related,
    }
    parts = [
        (pid, row.shape.write((values[row.fields[0]],), little))
        for pid, row in _ROWS["I"].items()
        if values.get(row.fields[0]) is not None
    ]
    return write_list([*parts, *data.unknown], little)


def read_participant(
    payload: Bytes, inline_qos: Bytes = b"", inline_little: bool = True
) -> Reading[ParticipantData]:
    """A DATA of the participant announcer (SPDP), incl. goodbyes.  Never raises."""
    found, inline = _open(payload, inline_qos, inline_little, _ROWS["P"])
    values = _settle(found)
    values["guid"] = _whose(values.get("guid"), values, inline)
    return _reading(ParticipantData, values, found, inline, values["guid"] is not None)


def read_endpoint(
    payload: Bytes, side: Side, inline_qos: Bytes = b"", inline_little: bool = True
) -> Reading[EndpointData]:
    """A DATA of SEDP's publications (`side` writer) or subscriptions, incl. goodbyes.  Never raises."""
    found, inline = _open(payload, inline_qos, inline_little, _ROWS[side])
    values = _settle(found)
    values["guid"] = _whose(values.get("guid"), values, inline)
    values["side"] = side
    values["qos"] = _split_qos(values, DEFAULT_QOS[side])
    return _reading(EndpointData, values, found, inline, values["guid"] is not None)


def read_topic(payload: Bytes, inline_qos: Bytes = b"", inline_little: bool = True) -> Reading[TopicData]:
    """A DATA of SEDP's topics.  Never raises."""
    found, inline = _open(payload, inline_qos, inline_little, _ROWS["T"])
    values = _settle(found)
    values["qos"] = _split_qos(values, DEFAULT_QOS[Side.READER])
    known = "topic" in values or values.get("key_hash", inline.key_hash) is not None
    return _reading(TopicData, values, found, inline, known)


def _open(
    payload: Bytes,
    inline_qos: Bytes,
    inline_little: bool,
    rows: dict[int, Parameter],
) -> tuple[Found, InlineQos]:
    inline = InlineQos()
    complaints: list[Malformed] = []
    if inline_qos:
        inlined = read_list(bytes(inline_qos), 0, inline_little, _ROWS["I"])
        inline = _inline(inlined)
        complaints = inlined.malformed
    data = bytes(payload[:MAX_PAYLOAD_BYTES])
    found = Found()
    if data:
        try:
            header = encapsulation(data)
            if header.encoding is Encoding.PL_CDR:
                found = read_list(data, HEADER_BYTES, header.little, rows)
            elif len(data) - HEADER_BYTES == GUID_BYTES and inline.status:
                found.values["key_hash"] = data[HEADER_BYTES:]  # a key on its own, in plain CDR
            else:
                found.complain(0, "not a parameter list")
        except WireError as error:
            found.complain(error.offset, error.why)
    found.malformed[:0] = complaints
    return found, inline


def _settle(found: Found) -> dict[str, Any]:
    return {name: tuple(value) if type(value) is list else value for name, value in found.values.items()}


def _whose(guid: Guid | None, values: dict[str, Any], inline: InlineQos) -> Guid | None:
    """The GUID that was sent, else the key hash: for GUIDs they are the same (DDSI-RTPS 2.5, 9.6.4.8)."""
    if guid is not None:
        return guid
    key = values.get("key_hash", inline.key_hash)
    return None if key is None else read_guid(key)


def _split_qos(values: dict[str, Any], default: Qos) -> Qos:
    """Moves the QoS among `values` into one noun."""
    sent = {name: values.pop(name) for name in _QOS_FIELDS & values.keys()}
    for name in _QOS_FIELDS - sent.keys():
        sent[name] = getattr(default, name)
    return Qos(**sent)


def _reading(
    noun: Callable[..., T], values: dict[str, Any], found: Found, inline: InlineQos, known: bool
) -> Reading[T]:
    malformed = tuple(found.malformed)
    if not known:
        return Reading(None, malformed or (Malformed(0, "announcement without its GUID"),))
    return Reading(
        noun(status=inline.status, unknown=tuple(found.other), sent=tuple(found.sent), **values), malformed
    )


def write_participant(data: ParticipantData, little: bool = True) -> bytes:
    """The serialised payload of a participant's announcement; of a gone one only the key."""
    return _write(data, _ROWS["P"], ParticipantData(None), _KEYS["P"], little)


def write_endpoint(data: EndpointData, little: bool = True) -> bytes:
    """The serialised payload of a writer's or reader's introduction; of a gone one only the key."""
    default = EndpointData(data.side, None, qos=DEFAULT_QOS[data.side])
    return _write(data, _ROWS[data.side], default, _KEYS["E"], little)


def write_topic(data: TopicData, little: bool = True) -> bytes:
    """The serialised payload of a topic's announcement."""
    return _write(data, _ROWS["T"], TopicData(qos=DEFAULT_QOS[Side.READER]), _KEYS["T"], little)


_KEYS = {"P": 0x0050, "E": 0x005A, "T": 0x0005}


def _write(
    data: Announcement, rows: dict[int, Parameter], default: Announcement, key: int, little: bool
) -> bytes:
    order = data.sent or ((key,) if data.status else _differing(data, rows, default))
    header = bytes(Encapsulation(Encoding.PL_CDR, little))
    return header + write_list(_bodies(data, rows, order, little), little)


def _values(data: Announcement, row: Parameter) -> tuple[Any, ...]:
    qos = getattr(data, "qos", None)
    return tuple([getattr(qos if name in _QOS_FIELDS else data, name) for name in row.fields])


def _differing(data: Announcement, rows: dict[int, Parameter], default: Announcement) -> Iterator[int]:
    """Ids of what differs from the defaults, one for each element of what repeats."""
    for pid, row in rows.items():
        values = _values(data, row)
        if row.repeats:
            yield from [pid] * len(values[0])
        elif values != _values(default, row):
            yield pid
    for pid, _ in data.unknown:
        yield pid


def _bodies(
    data: Announcement, rows: dict[int, Parameter], order: Iterable[int], little: bool
) -> Iterator[tuple[int, bytes]]:
    turns: dict[int, int] = {}
    kept: dict[int, list[bytes]] = {}
    for pid, body in data.unknown:
        kept.setdefault(pid, []).append(body)
    for pid in order:
        turn = turns.get(pid, 0)
        turns[pid] = turn + 1
        as_they_came = kept.get(pid, ())
        if turn < len(as_they_came):
            yield pid, as_they_came[turn]
            continue
        row = rows[pid]
        values = _values(data, row)
        one = (values[0][turn - len(as_they_came)],) if row.repeats else values
        yield pid, row.shape.write(one, little)


def read_liveliness(
    payload: Bytes, inline_qos: Bytes = b"", inline_little: bool = True
) -> Reading[LivelinessData]:
    """A DATA of the participant message writer.  Never raises."""
    data = bytes(payload[:MAX_PAYLOAD_BYTES])
    inline = read_inline_qos(inline_qos, inline_little) if inline_qos else Reading(InlineQos())
    status = inline.data.status if inline.data else Status.ALIVE
    try:
        header = encapsulation(data)
        reader = Reader(data, little=header.little, widest=header.encoding.widest, at=HEADER_BYTES)
        prefix, kind = reader.octets(PREFIX_BYTES), int.from_bytes(reader.octets(4), "big")
        content = reader.blob() if reader.left() >= 4 else b""  # a goodbye has the key only
        return Reading(LivelinessData(prefix, kind, content, status), inline.malformed)
    except WireError as error:
        return Reading(None, (*inline.malformed, Malformed(error.offset, error.why)))


def write_liveliness(data: LivelinessData, little: bool = True) -> bytes:
    """The serialised payload of a participant message."""
    writer = Writer(little=little, header=bytes(Encapsulation(Encoding.CDR, little)))
    writer.octets(data.prefix + data.kind.to_bytes(4, "big"))
    if not data.status:
        writer.blob(data.content)
        writer.align(ALIGN_BYTES)
    return bytes(writer.data)
