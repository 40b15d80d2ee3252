"""The columns that a scan fills: one row a message (UDP datagram), one row a submessage.

Declared once, here; kernels, folds and tests read these tables.  Entity ids are big-endian integers as
the standard prints them (0x000100C2), never swapped.  Address 0 and prefix 0 of the interning tables
stand for "none".
"""

from __future__ import annotations

from collections.abc import Mapping, Sized
from dataclasses import dataclass
from enum import IntFlag


class MessageFlag(IntFlag):
    """What is known of a datagram besides its numbers."""

    MULTICAST = 1
    FRAGMENTED = 2  # more than one IP fragment
    INCOMPLETE = 4  # a fragment never came; submessages up to the hole are there
    CUT = 8  # captured shorter than sent
    OUTGOING = 16  # sent by the capturing machine (Linux cooked, or flags of pcapng)
    INCOMING = 32  # received by it; neither bit: the capture does not tell
    DISCOVERY = 64  # carries submessages of builtin endpoints
    DATA = 128  # carries submessages of user endpoints


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, NumPy dtype, unit or meaning."""

    name: str
    dtype: str
    doc: str


MESSAGE_COLUMNS = (
    Column("time_ns", "i8", "capture time since 1970, ns (of the last fragment)"),
    Column("packet", "u4", "1-based number of the packet (of the last fragment)"),
    Column("interface", "u2", "pcapng interface or cooked-v2 interface index"),
    Column("source", "u4", "index in Tables.addresses"),
    Column("target", "u4", "index in Tables.addresses"),
    Column("source_port", "u2", "UDP"),
    Column("target_port", "u2", "UDP"),
    Column("ttl", "u1", "IPv4 time to live or IPv6 hop limit"),
    Column("flags", "u1", "MessageFlag"),
    Column("prefix", "u4", "index in Tables.prefixes: the RTPS header's GUID prefix"),
    Column("vendor", "u2", "the RTPS header's vendor id"),
    Column("size", "u4", "UDP payload bytes, as sent"),
    Column("wire_bytes", "u4", "link-layer bytes of all its packets, as sent"),
    Column("fragments", "u2", "IP fragments (1: not fragmented)"),
    Column("print", "u8", "fingerprint: equal for one datagram in two captures"),
)

SUBMESSAGE_COLUMNS = (
    Column("message", "u4", "row of the same block's messages"),
    Column("kind", "u1", "wire.ids.Sub"),
    Column("flags", "u1", "the submessage's flags octet"),
    Column("sender", "u4", "index in Tables.prefixes (header, or the last INFO_SRC)"),
    Column("addressee", "u4", "index in Tables.prefixes (the last INFO_DST); 0: anybody"),
    Column("reader", "u4", "entity id"),
    Column("writer", "u4", "entity id"),
    Column("sequence", "i8", "DATA*: writerSN; HEARTBEAT: lastSN; ACKNACK: base; GAP: gapStart"),
    Column("base", "i8", "HEARTBEAT: firstSN; GAP: gapList.base; else 0"),
    Column("extent", "u4", "bits in the set of ACKNACK, GAP, NACK_FRAG"),
    Column("named", "u4", "set bits in that set"),
    Column("count", "u4", "the count field of HEARTBEAT*, ACKNACK, NACK_FRAG"),
    Column("fragment", "u4", "DATA_FRAG: first; HEARTBEAT_FRAG: last; NACK_FRAG: base"),
    Column("fragments", "u2", "DATA_FRAG: fragments in this submessage"),
    Column("fragment_size", "u2", "DATA_FRAG"),
    Column("sample_size", "u4", "DATA_FRAG: the whole sample's bytes"),
    Column("source_time_ns", "i8", "the last INFO_TS, ns since 1970; NO_TIME: none"),
    Column("inline_length", "u4", "bytes of inline QoS, which end where the payload begins"),
    Column("payload_at", "i8", "offset of the serialised payload (or of the set's bitmap words)"),
    Column("payload_length", "u4", "bytes of it that are there"),
)

NO_TIME = -(1 << 63)


def shortest(columns: Mapping[str, Sized]) -> int:
    """Rows that every column has.  Kernels ask at their door, and then check a row once for all columns."""
    return min(len(column) for column in columns.values())
