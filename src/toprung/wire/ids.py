"""Submessage kinds, entity ids and flags of DDSI-RTPS 2.5 (formal/2022-04-01), each number once.

The kernels, the tests and the words of reports all read these tables.
"""

from __future__ import annotations

from enum import IntEnum, IntFlag

MAGIC = b"RTPS"  # 9.4.4
HEADER_LENGTH = 4 + 2 + 2 + 12  # protocol, version, vendor, GUID prefix (9.4.4)
MAJOR_VERSION = 2
MAX_SET_BITS = 256  # 9.4.2.6


class Sub(IntEnum):
    """Submessage kinds (9.4.5.1.1, security: DDS Security 1.1, 7.3.6).

    `least`: smallest legal body in bytes, submessage header excluded.  `entity`: where the body's reader
    id stands (the writer id follows, then a sequence number); -1: it belongs to no entity.
    """

    least: int
    entity: int

    def __new__(cls, code: int, least: int, entity: int = -1) -> Sub:
        kind = int.__new__(cls, code)
        kind._value_, kind.least, kind.entity = code, least, entity
        return kind

    PAD = 0x01, 0
    ACKNACK = 0x06, 4 + 4 + (8 + 4) + 4, 0  # readerId writerId set(base, numBits) count
    HEARTBEAT = 0x07, 4 + 4 + 8 + 8 + 4, 0  # readerId writerId firstSN lastSN count
    GAP = 0x08, 4 + 4 + 8 + (8 + 4), 0  # readerId writerId gapStart gapList(base, numBits)
    INFO_TS = 0x09, 0  # time, absent where the Invalidate flag is set
    INFO_SRC = 0x0C, 4 + 2 + 2 + 12  # unused version vendor guidPrefix
    INFO_REPLY_IP4 = 0x0D, 4 + 4  # address port
    INFO_DST = 0x0E, 12  # guidPrefix
    INFO_REPLY = 0x0F, 4  # numLocators
    NACK_FRAG = 0x12, 4 + 4 + 8 + (4 + 4) + 4, 0  # readerId writerId writerSN set(base, numBits) count
    HEARTBEAT_FRAG = 0x13, 4 + 4 + 8 + 4 + 4, 0  # readerId writerId writerSN lastFragmentNum count
    DATA = 0x15, 2 + 2 + 4 + 4 + 8, 4  # extraFlags octetsToInlineQos readerId writerId writerSN
    DATA_FRAG = 0x16, 20 + 4 + 2 + 2 + 4, 4  # as DATA; firstFragment fragments fragmentSize sampleSize
    SEC_BODY = 0x30, 0
    SEC_PREFIX = 0x31, 0
    SEC_POSTFIX = 0x32, 0
    SRTPS_PREFIX = 0x33, 0
    SRTPS_POSTFIX = 0x34, 0


SECURED = frozenset({Sub.SEC_BODY, Sub.SEC_PREFIX, Sub.SEC_POSTFIX, Sub.SRTPS_PREFIX, Sub.SRTPS_POSTFIX})
SUB_NAMES = {int(kind): kind.name for kind in Sub}
ENTITY_SUBMESSAGES = frozenset(kind for kind in Sub if kind.entity >= 0)
FIRST_VENDOR_KIND = 0x80  # 0x80..0xFF belong to the vendor (9.4.5.1.1)


class Flag(IntFlag):
    """Flags octet of a submessage; what a bit means depends on the kind (9.4.5)."""

    LITTLE_ENDIAN = 0x01  # every kind
    INLINE_QOS = 0x02  # DATA, DATA_FRAG
    PAYLOAD = 0x04  # DATA
    KEY = 0x08  # DATA
    FRAG_KEY = 0x04  # DATA_FRAG
    FINAL = 0x02  # HEARTBEAT, ACKNACK
    LIVELINESS = 0x04  # HEARTBEAT
    INVALIDATE = 0x02  # INFO_TS
    MULTICAST = 0x02  # INFO_REPLY, INFO_REPLY_IP4


class EntityId(IntEnum):
    """Predefined entity ids (9.3.1.3; DDS Security 1.1, 7.3.7.1; XTypes 1.3, 7.6.3.3.3)."""

    UNKNOWN = 0x00000000
    PARTICIPANT = 0x000001C1
    TOPICS_WRITER = 0x000002C2
    TOPICS_READER = 0x000002C7
    PUBLICATIONS_WRITER = 0x000003C2
    PUBLICATIONS_READER = 0x000003C7
    SUBSCRIPTIONS_WRITER = 0x000004C2
    SUBSCRIPTIONS_READER = 0x000004C7
    PARTICIPANT_WRITER = 0x000100C2
    PARTICIPANT_READER = 0x000100C7
    PARTICIPANT_MESSAGE_WRITER = 0x000200C2
    PARTICIPANT_MESSAGE_READER = 0x000200C7
    STATELESS_WRITER = 0x000201C3
    STATELESS_READER = 0x000201C4
    TYPE_LOOKUP_REQUEST_WRITER = 0x000300C3
    TYPE_LOOKUP_REQUEST_READER = 0x000300C4
    TYPE_LOOKUP_REPLY_WRITER = 0x000301C3
    TYPE_LOOKUP_REPLY_READER = 0x000301C4
    SECURE_PUBLICATIONS_WRITER = 0xFF0003C2
    SECURE_PUBLICATIONS_READER = 0xFF0003C7
    SECURE_SUBSCRIPTIONS_WRITER = 0xFF0004C2
    SECURE_SUBSCRIPTIONS_READER = 0xFF0004C7
    SECURE_PARTICIPANT_WRITER = 0xFF0101C2
    SECURE_PARTICIPANT_READER = 0xFF0101C7
    SECURE_PARTICIPANT_MESSAGE_WRITER = 0xFF0200C2
    SECURE_PARTICIPANT_MESSAGE_READER = 0xFF0200C7
    VOLATILE_SECURE_WRITER = 0xFF0202C3
    VOLATILE_SECURE_READER = 0xFF0202C4


BUILTIN_BITS = 0xC0  # of an entity id's kind octet: both set, it is predefined (9.3.1.2)
VENDOR_BITS = 0x40  # only this one: the vendor's
WRITER_KINDS = frozenset({0x02, 0x03, 0x08})  # with key, without key, group
READER_KINDS = frozenset({0x04, 0x07, 0x09})  # without key, with key, group


def is_builtin(entity: int) -> bool:
    """Whether an entity id is predefined by the standard."""
    return entity & BUILTIN_BITS == BUILTIN_BITS


def is_writer(entity: int) -> bool:
    """Whether an entity id's kind octet says writer."""
    return entity & 0x3F in WRITER_KINDS


def is_reader(entity: int) -> bool:
    """Whether an entity id's kind octet says reader."""
    return entity & 0x3F in READER_KINDS


def entity_name(entity: int) -> str:
    """The predefined name in plain words ("publications writer"), or eight hex digits."""
    try:
        return EntityId(entity).name.lower().replace("_", " ")
    except ValueError:
        return f"{entity:08x}"


def kind_name(kind: int) -> str:
    """A submessage kind as the standard spells it, "vendor 0x80" or "unknown 0x17"."""
    name = SUB_NAMES.get(kind)
    return name or f"{'vendor' if kind >= FIRST_VENDOR_KIND else 'unknown'} 0x{kind:02x}"
