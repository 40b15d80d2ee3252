"""TypeInformation (parameter 0x0075): far enough to tell whether two types are the same.

DDS-XTypes 1.3, 7.6.3.2.2 and annex B: a mutable struct in XCDR2 of two TypeIdentifierWithDependencies, the
minimal and the complete one.  Each begins with the type's identifier, an equivalence hash that covers
whatever the type depends on; the rest is not looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

from toprung.wire.cdr import Reader, WireError

MINIMAL_MEMBER = 0x1001
COMPLETE_MEMBER = 0x1002
EK_MINIMAL = 0xF1
EK_COMPLETE = 0xF2
HASH_BYTES = 14


@dataclass(frozen=True, slots=True)
class TypeHashes:
    """Equivalence hashes of a type, 14 bytes each.  None: not sent, or not a hash.

    minimal: members' names are hashed away; equal for types that can be assigned without any coercion.
    complete: equal only if names and annotations are, too.
    """

    minimal: bytes | None
    complete: bytes | None


def type_hashes(information: bytes, little: bool = True) -> TypeHashes | None:
    """The hashes in a TypeInformation, `little` as the parameter list's; None: it cannot be read."""
    found: dict[int, bytes | None] = {}
    try:
        for member, _, content in Reader(information, little=little, widest=4).delimited().members():
            if member in (MINIMAL_MEMBER, COMPLETE_MEMBER):
                found[member] = _hash(content)
    except WireError:
        return None
    if not found:
        return None
    return TypeHashes(found.get(MINIMAL_MEMBER), found.get(COMPLETE_MEMBER))


def _hash(with_dependencies: Reader) -> bytes | None:
    with_size = with_dependencies.delimited().delimited()
    if with_size.u8() not in (EK_MINIMAL, EK_COMPLETE):
        return None  # a primitive or plain collection, which names itself
    return with_size.octets(HASH_BYTES)
