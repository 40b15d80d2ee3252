"""The probe's datagrams: octets <-> messages, and the seal that proves who made them.

Every datagram is a header, a body, padding and a seal.  The header (big-endian):

    magic "TPR1" | kind u8 | flags u8 | length u16 | session 8 octets | number u64

`length` is the whole datagram's, so that a cut one is refused before anything is looked up.  The seal is
HMAC-SHA256 (RFC 2104) over everything before it, cut to its left half as that RFC allows in section 5.
Nothing here raises on wrong octets: `opened` answers None, whatever is wrong.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable
from dataclasses import dataclass
from enum import IntFlag
from struct import Struct
from typing import Any

MAGIC = b"TPR1"  # no RTPS: middleware that gets one drops it
HEADER = Struct("!4sBBH8sQ")
SEAL_BYTES = 16
FIXED = HEADER.size + SEAL_BYTES
MOST_BYTES = 65507  # UDP payload over IPv4: 65535 - 20 - 8
NO_SESSION = bytes(8)
NONCE_BYTES = 16
HELLO_BYTES = 512  # a WELCOME is never larger
MOST_NAME_BYTES = 64
MOST_ADDRESSES = 16
MOST_HEARD = 8


class Flag(IntFlag):
    """How a PING wants to be answered."""

    NONE = 0
    WHOLE = 1  # the answer may not be fragmented (DF)
    GROUP = 2  # the answer goes to the multicast group
    FRESH = 4  # the answer comes from a port that the prober never sent to, as middleware's datagrams do


ALL_FLAGS = int(Flag.WHOLE | Flag.GROUP | Flag.FRESH)


@dataclass(frozen=True, slots=True)
class Hello:
    """A prober asks one machine for a session; `attempt` grows with every repetition."""

    nonce: bytes
    attempt: int
    domain: int
    target: bytes  # the machine's IPv4 address: multicast reaches others, too


@dataclass(frozen=True, slots=True)
class Welcome:
    """A session is granted, and what the server offers."""

    asked: bytes  # the prober's nonce
    nonce: bytes  # the server's
    discovery_port: int
    user_port: int
    discovery_group_port: int
    user_group_port: int
    real_ports: int  # a bit for each port above, in that order: the domain's own, not a substitute
    most_per_s: int  # datagrams that it answers
    most_bytes_per_s: int
    interface_mtu_bytes: int  # towards the prober; 0: unknown
    seconds: int  # how long a session may last
    addresses: tuple[str, ...] = ()
    name: str = ""


@dataclass(frozen=True, slots=True)
class Ping:
    """A datagram that is counted, and answered if `reply_bytes` says so."""

    stream: int
    sample: int
    part: int
    parts: int
    sent_ns: int
    reply_port: int = 0  # 0: where the request came from
    reply_bytes: int = 0  # 0: no answer is wanted
    flags: Flag = Flag.NONE


@dataclass(frozen=True, slots=True)
class Pong:
    """The answer: the four time stamps of RFC 5905 less the last one."""

    stream: int
    sample: int
    part: int
    parts: int
    sent_ns: int
    received_ns: int
    returned_ns: int


@dataclass(frozen=True, slots=True)
class Ask:
    """What came of a stream?"""

    stream: int


@dataclass(frozen=True, slots=True)
class Report:
    """What came of a stream.  Delays are the receiver's clock less the sender's, ns."""

    stream: int
    received: int
    whole: int  # samples of which every part came
    answered: int
    refused: int  # not answered: over the limits
    unsendable: int  # not answered: the answer is too large for the server's interface
    overflowed: int  # lost in the server's own socket meanwhile, not on the way
    bytes: int
    least_ns: int = 0
    p05_ns: int = 0
    p50_ns: int = 0
    p95_ns: int = 0
    most_ns: int = 0


@dataclass(frozen=True, slots=True)
class Beacon:
    """A sign of life, and whom the server heard: first 8 octets of a nonce, bits (1 unicast, 2 group)."""

    since_ns: int
    heard: tuple[tuple[bytes, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Bye:
    """The prober is done."""


Body = Hello | Welcome | Ping | Pong | Ask | Report | Beacon | Bye


@dataclass(frozen=True, slots=True)
class Message:
    """One opened datagram."""

    session: bytes
    number: int
    body: Body
    size_bytes: int


_HELLO = Struct(f"!{NONCE_BYTES}sIH4s")
_WELCOME = Struct(f"!{NONCE_BYTES}s{NONCE_BYTES}s4HBIIIHBB")  # then addresses, name
_PING = Struct("!IIHHqHH")
_PONG = Struct("!IIHHqqq")
_ASK = Struct("!I")
_REPORT = Struct("!7IQ5q")
_BEACON = Struct("!QB")  # then what was heard
_HEARD = Struct("!8sB")

_BODIES: dict[int, tuple[type[Body], Struct]] = {  # kind -> what it is, its fixed octets
    1: (Hello, _HELLO),
    2: (Welcome, _WELCOME),
    3: (Ping, _PING),
    4: (Pong, _PONG),
    5: (Ask, _ASK),
    6: (Report, _REPORT),
    7: (Beacon, _BEACON),
    8: (Bye, Struct("")),
}
_KINDS = {body: kind for kind, (body, _) in _BODIES.items()}
WELCOME_BYTES = FIXED + _WELCOME.size + 4 * MOST_ADDRESSES + MOST_NAME_BYTES
REPORT_BYTES = FIXED + _REPORT.size
LEAST_ASKING_BYTES = FIXED + max(_PING.size, _PONG.size)  # a PING that wants an answer


def kind_and_session(datagram: bytes | memoryview) -> tuple[type[Body], bytes] | None:
    """What it claims to be, to choose the key; None where the octets cannot be one of ours."""
    if not FIXED <= len(datagram) <= MOST_BYTES:
        return None
    magic, code, _, length, session, _ = HEADER.unpack_from(datagram)
    if magic != MAGIC or length != len(datagram) or code not in _BODIES:
        return None
    body, fixed = _BODIES[code]
    return (body, session) if len(datagram) >= FIXED + fixed.size else None


def opened(datagram: bytes | memoryview, key: bytes) -> Message | None:
    """The message, if it is whole, sealed with this key and makes sense."""
    known = kind_and_session(datagram)
    if known is None or not hmac.compare_digest(_seal(datagram[:-SEAL_BYTES], key), datagram[-SEAL_BYTES:]):
        return None
    _, code, flags, length, session, number = HEADER.unpack_from(datagram)
    fixed = _BODIES[code][1]
    fields = fixed.unpack_from(datagram, HEADER.size)
    rest = bytes(datagram[HEADER.size + fixed.size : -SEAL_BYTES])
    body = _body(known[0], fields, flags, rest)
    return None if body is None else Message(session, number, body, length)


def sealed(
    body: Body, key: bytes, session: bytes = NO_SESSION, number: int = 0, size_bytes: int = 0
) -> bytes:
    """The datagram, padded with zeros to `size_bytes`; ValueError where it does not fit into that."""
    flags, octets = _octets(body)
    least = FIXED + len(octets)
    size = size_bytes or least
    if not least <= size <= MOST_BYTES:
        raise ValueError(f"a {type(body).__name__} has {least} to {MOST_BYTES} B, not {size}")
    start = (
        HEADER.pack(MAGIC, _KINDS[type(body)], flags, size, session, number) + octets + bytes(size - least)
    )
    return start + _seal(start, key)


def _seal(start: bytes | memoryview, key: bytes) -> bytes:
    return hmac.digest(key, start, hashlib.sha256)[:SEAL_BYTES]


def _octets(body: Body) -> tuple[int, bytes]:
    """Flags and body; a body's fields stand in their order."""
    fixed = _BODIES[_KINDS[type(body)]][1]
    match body:
        case Ping():
            *fields, flags = _fields(body)
            return int(flags), fixed.pack(*fields)
        case Welcome():
            *fields, addresses, name = _fields(body)
            places = [bytes(map(int, a.split("."))) for a in addresses[:MOST_ADDRESSES]]
            letters = name.encode()[:MOST_NAME_BYTES]
            return 0, fixed.pack(*fields, len(places), len(letters)) + b"".join(places) + letters
        case Beacon(since, heard):
            entries = [_HEARD.pack(*entry) for entry in heard[:MOST_HEARD]]
            return 0, fixed.pack(since, len(entries)) + b"".join(entries)
        case _:
            return 0, fixed.pack(*_fields(body))


def _fields(body: Body) -> tuple[Any, ...]:
    return tuple(getattr(body, name) for name in body.__slots__)


def _body(kind: type[Body], fields: tuple[Any, ...], flags: int, rest: bytes) -> Body | None:
    """A body from its fields; None where they contradict each other."""
    build: Callable[..., Body] = kind
    if kind is Ping:
        part, parts = fields[2:4]
        return build(*fields, Flag(flags)) if part < parts and flags <= ALL_FLAGS else None
    if kind is Welcome:
        *known, count, letters = fields
        if count > MOST_ADDRESSES or letters > MOST_NAME_BYTES or len(rest) < 4 * count + letters:
            return None
        places = tuple(".".join(map(str, rest[4 * i : 4 * i + 4])) for i in range(count))
        name = rest[4 * count : 4 * count + letters].decode(errors="replace")
        return build(*known, places, name)
    if kind is Beacon:
        since, count = fields
        if count > MOST_HEARD or len(rest) < count * _HEARD.size:
            return None
        return Beacon(since, tuple(_HEARD.iter_unpack(rest[: count * _HEARD.size])))
    return build(*fields)
