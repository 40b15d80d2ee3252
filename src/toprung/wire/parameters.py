"""The parameters that announcements are made of, as one table, and the lists that carry them.

DDSI-RTPS 2.5, 9.4.2.11 (lists), 9.6.3.2 (ids) and 9.6.4 (inline QoS); DDS-XTypes 1.3, 7.6.3.2 for the
type system's; DDS-Security 1.1, 7.4 for the tokens.  A parameter that the table does not know, or knows
only by name, is kept as (id, bytes).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from struct import Struct
from typing import Any

from toprung.model.qos import (
    AccessScope,
    DestinationOrder,
    Durability,
    History,
    Liveliness,
    Ownership,
    Reliability,
)
from toprung.wire import shapes
from toprung.wire.cdr import WireError
from toprung.wire.limits import MAX_MALFORMED, MAX_PARAMETERS
from toprung.wire.shapes import DURATION, I32, TRUTH, U32, VERSION, Shape, Values, fixed, word
from toprung.wire.structs import (
    CONTENT_FILTER,
    DURABILITY_SERVICE,
    PROPERTIES,
    SAMPLE_IDENTITY,
    TYPE_CONSISTENCY,
)

PAD = 0x0000
SENTINEL = 0x0001
VENDOR_SPECIFIC = 0x8000
MUST_UNDERSTAND = 0x4000
ALIGN_BYTES = 4


@dataclass(frozen=True, slots=True)
class Parameter:
    """One row: the id, the standard's name, who carries it, the fields that it fills, how they lie.

    carried_by: P participant, W writer, R reader, T topic, I inline QoS.  No fields: kept as bytes.
    """

    pid: int
    name: str
    carried_by: str
    fields: tuple[str, ...] = ()
    shape: Shape = shapes.RAW
    repeats: bool = False  # each occurrence adds to a list


def _row(
    pid: int,
    name: str,
    carried_by: str,
    fields: str = "",
    shape: Shape = shapes.RAW,
    *,
    repeats: bool = False,
) -> Parameter:
    return Parameter(pid, name, carried_by, tuple(fields.split()), shape, repeats)


# fmt: off
PARAMETERS = (
    _row(0x0050, "PARTICIPANT_GUID", "P", "guid", shapes.GUID),
    _row(0x0050, "PARTICIPANT_GUID", "WR", "participant", shapes.GUID),
    _row(0x005A, "ENDPOINT_GUID", "WRT", "guid", shapes.GUID),
    _row(0x0052, "GROUP_GUID", "WR", "group", shapes.GUID),
    _row(0x0053, "GROUP_ENTITYID", "WR", "group_entity", shapes.BIG32),
    _row(0x0070, "KEY_HASH", "WRTPI", "key_hash", shapes.OCTETS16),
    _row(0x0071, "STATUS_INFO", "I", "status", shapes.BIG32),
    _row(0x0015, "PROTOCOL_VERSION", "PWRT", "version", fixed(VERSION)),
    _row(0x0016, "VENDORID", "PWRT", "vendor", shapes.BIG16),
    _row(0x000F, "DOMAIN_ID", "P", "domain", fixed(U32)),
    _row(0x4014, "DOMAIN_TAG", "P", "domain_tag", shapes.STRING),
    _row(0x0002, "PARTICIPANT_LEASE_DURATION", "P", "lease_ns", fixed(DURATION)),
    _row(0x0058, "BUILTIN_ENDPOINT_SET", "P", "builtin_endpoints", fixed(U32)),
    _row(0x0044, "PARTICIPANT_BUILTIN_ENDPOINTS", "P", "builtin_endpoints_before_2_1", fixed(U32)),
    _row(0x0077, "BUILTIN_ENDPOINT_QOS", "P", "builtin_endpoint_qos", fixed(U32)),
    _row(0x0034, "PARTICIPANT_MANUAL_LIVELINESS_COUNT", "P", "manual_liveliness_count", fixed(I32)),
    _row(0x0032, "METATRAFFIC_UNICAST_LOCATOR", "P", "metatraffic_unicast", shapes.LOCATOR, repeats=True),
    _row(0x0033, "METATRAFFIC_MULTICAST_LOCATOR", "P", "metatraffic_multicast", shapes.LOCATOR, repeats=True),
    _row(0x0031, "DEFAULT_UNICAST_LOCATOR", "P", "default_unicast", shapes.LOCATOR, repeats=True),
    _row(0x0048, "DEFAULT_MULTICAST_LOCATOR", "P", "default_multicast", shapes.LOCATOR, repeats=True),
    _row(0x002F, "UNICAST_LOCATOR", "WR", "unicast", shapes.LOCATOR, repeats=True),
    _row(0x0030, "MULTICAST_LOCATOR", "WR", "multicast", shapes.LOCATOR, repeats=True),
    _row(0x0043, "EXPECTS_INLINE_QOS", "PR", "expects_inline_qos", fixed(TRUTH)),
    _row(0x0062, "ENTITY_NAME", "PWRT", "name", shapes.STRING),
    _row(0x0059, "PROPERTY_LIST", "PWR", "properties binary_properties", PROPERTIES),
    _row(0x0005, "TOPIC_NAME", "WRT", "topic", shapes.STRING),
    _row(0x0007, "TYPE_NAME", "WRT", "type_name", shapes.STRING),
    _row(0x0075, "TYPE_INFORMATION", "WRT", "type_information"),
    _row(0x0072, "TYPE_OBJECT", "WRT", "type_object"),
    _row(0x0060, "TYPE_MAX_SIZE_SERIALIZED", "WR", "type_max_size", fixed(U32)),
    _row(0x0073, "DATA_REPRESENTATION", "WRT", "representation", shapes.REPRESENTATIONS),
    _row(0x0074, "TYPE_CONSISTENCY_ENFORCEMENT", "R", "type_consistency", TYPE_CONSISTENCY),
    _row(0x001A, "RELIABILITY", "WRT", "reliability max_blocking_ns",
         fixed(word(Reliability, first=1), DURATION)),
    _row(0x001D, "DURABILITY", "WRT", "durability", fixed(word(Durability))),
    _row(0x001E, "DURABILITY_SERVICE", "WRT", "durability_service", DURABILITY_SERVICE),
    _row(0x0023, "DEADLINE", "WRT", "deadline_ns", fixed(DURATION)),
    _row(0x0027, "LATENCY_BUDGET", "WRT", "latency_budget_ns", fixed(DURATION)),
    _row(0x001B, "LIVELINESS", "WRT", "liveliness liveliness_lease_ns", fixed(word(Liveliness), DURATION)),
    _row(0x001F, "OWNERSHIP", "WRT", "ownership", fixed(word(Ownership))),
    _row(0x0006, "OWNERSHIP_STRENGTH", "W", "ownership_strength", fixed(I32)),
    _row(0x0025, "DESTINATION_ORDER", "WRT", "destination_order", fixed(word(DestinationOrder))),
    _row(0x0021, "PRESENTATION", "WR", "access_scope coherent_access ordered_access",
         fixed(word(AccessScope), TRUTH, TRUTH)),
    _row(0x0029, "PARTITION", "WR", "partition", shapes.STRINGS),
    _row(0x0040, "HISTORY", "WRT", "history history_depth", fixed(word(History), I32)),
    _row(0x0041, "RESOURCE_LIMITS", "WRT", "max_samples max_instances max_samples_per_instance",
         fixed(I32, I32, I32)),
    _row(0x002B, "LIFESPAN", "WRT", "lifespan_ns", fixed(DURATION)),
    _row(0x0004, "TIME_BASED_FILTER", "WR", "time_based_filter_ns", fixed(DURATION)),
    _row(0x0049, "TRANSPORT_PRIORITY", "WT", "transport_priority", fixed(I32)),
    _row(0x002C, "USER_DATA", "PWR", "user_data", shapes.BLOB),
    _row(0x002E, "TOPIC_DATA", "WRT", "topic_data", shapes.BLOB),
    _row(0x002D, "GROUP_DATA", "WR", "group_data", shapes.BLOB),
    _row(0x0035, "CONTENT_FILTER_PROPERTY", "R", "content_filter", CONTENT_FILTER),
    _row(0x0061, "ORIGINAL_WRITER_INFO", "I", "original", SAMPLE_IDENTITY),
    _row(0x0083, "RELATED_SAMPLE_IDENTITY", "I", "related", SAMPLE_IDENTITY),
    _row(0x800F, "RELATED_SAMPLE_IDENTITY (before it had a number)", "I", "related_vendor", SAMPLE_IDENTITY),
    _row(0x1001, "IDENTITY_TOKEN", "P"),
    _row(0x1002, "PERMISSIONS_TOKEN", "P"),
    _row(0x1003, "DATA_TAGS", "WR"),
    _row(0x1004, "ENDPOINT_SECURITY_INFO", "WR"),
    _row(0x1005, "PARTICIPANT_SECURITY_INFO", "P"),
    _row(0x1006, "IDENTITY_STATUS_TOKEN", "P"),
    _row(0x000B, "METATRAFFIC_MULTICAST_IPADDRESS", "P"),
    _row(0x000C, "DEFAULT_UNICAST_IPADDRESS", "P"),
    _row(0x000D, "METATRAFFIC_UNICAST_PORT", "P"),
    _row(0x000E, "DEFAULT_UNICAST_PORT", "P"),
    _row(0x0011, "MULTICAST_IPADDRESS", "P"),
    _row(0x0045, "METATRAFFIC_UNICAST_IPADDRESS", "P"),
    _row(0x0046, "METATRAFFIC_MULTICAST_PORT", "P"),
    _row(0x0055, "CONTENT_FILTER_INFO", "I"),
    _row(0x0056, "COHERENT_SET", "I"),
    _row(0x0057, "DIRECTED_WRITE", "I"),
    _row(0x0080, "SERVICE_INSTANCE_NAME", "WR"),
    _row(0x0081, "RELATED_ENTITY_GUID", "WR"),
    _row(0x0082, "TOPIC_ALIASES", "WR"),
)
# fmt: on

BY_ID = {row.pid: row for row in PARAMETERS}
NAMES = {row.pid: row.name for row in PARAMETERS} | {PAD: "PAD", SENTINEL: "SENTINEL"}
SECURITY = frozenset(row.pid for row in PARAMETERS if 0x1001 <= row.pid <= 0x1006)


def carried_by(letter: str) -> dict[int, Parameter]:
    """The rows that one kind of announcement carries and we decode, by id, in the table's order."""
    return {row.pid: row for row in PARAMETERS if letter in row.carried_by and row.fields}


@dataclass(frozen=True, slots=True)
class Malformed:
    """Why some bytes of a payload could not be read.  `why` is one of a few fixed phrases."""

    offset: int  # in the payload
    why: str


@dataclass(slots=True)
class Found:
    """What a parameter list held.  Lists for fields whose parameters repeat."""

    values: dict[str, Any] = field(default_factory=dict)
    other: list[tuple[int, bytes]] = field(default_factory=list)  # unknown, or known only by name
    sent: list[int] = field(default_factory=list)  # every id, in the order of the wire
    malformed: list[Malformed] = field(default_factory=list)
    end: int = 0  # offset after the sentinel

    def complain(self, offset: int, why: str) -> None:
        if len(self.malformed) < MAX_MALFORMED:
            self.malformed.append(Malformed(offset, why))


_HEADERS = (Struct(">HH"), Struct("<HH"))  # [little]
_CACHED_BYTES = 64


def _read(pid: int, body: bytes, little: bool) -> Values:
    return BY_ID[pid].shape.read(body, little)


_read_short = lru_cache(maxsize=8192)(_read)  # most bodies come again and again: defaults, vendors, locators


def read_list(data: bytes, at: int, little: bool, rows: dict[int, Parameter]) -> Found:
    """The parameter list that starts at `at`.  Never raises: what cannot be read is in `malformed`."""
    found = Found()
    values, header = found.values, _HEADERS[little]
    size = len(data)
    for _ in range(MAX_PARAMETERS):
        if at + 4 > size:
            found.complain(at, "parameter list without its sentinel")
            break
        pid, length = header.unpack_from(data, at)
        at += 4
        if pid == SENTINEL:
            break
        if at + length > size:
            found.complain(at - 4, "parameter longer than the list")
            at = size
            break
        if length % ALIGN_BYTES:
            found.complain(at - 2, "parameter length not a multiple of four")
        body = data[at : at + length]
        _take(found, values, rows.get(pid), pid, body, little, at)
        at += length
    else:
        found.complain(at, "too many parameters")
    found.end = at
    return found


def _take(
    found: Found, values: dict[str, Any], row: Parameter | None, pid: int, body: bytes, little: bool, at: int
) -> None:
    if pid == PAD:
        return
    found.sent.append(pid)
    if row is None:
        found.other.append((pid, body))
        return
    try:
        read = (_read_short if len(body) <= _CACHED_BYTES else _read)(pid, body, little)
    except WireError as error:
        found.complain(at + error.offset, error.why)
        found.other.append((pid, body))
        return
    if row.repeats:
        values.setdefault(row.fields[0], []).append(read[0])
    elif len(read) == 1:
        values[row.fields[0]] = read[0]
    else:
        values.update(zip(row.fields, read, strict=True))


def write_list(parts: Iterable[tuple[int, bytes]], little: bool) -> bytes:
    """A parameter list with its sentinel, of (id, body)s; bodies are padded to four bytes here."""
    header = _HEADERS[little]
    out = bytearray()
    for pid, body in parts:
        padding = -len(body) % ALIGN_BYTES
        out += header.pack(pid, len(body) + padding) + body + bytes(padding)
    return bytes(out + header.pack(SENTINEL, 0))
