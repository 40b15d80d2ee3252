"""Keys: what the person carries from one machine to the other, and what is made of it.

A key is 100 random bits as twenty letters and digits in groups of five.  From it come, one for each
direction so that nothing can be sent back to who made it, the keys of the first two messages; and with
both sides' nonces the keys of a session (RFC 5869's expansion, one block each).
"""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from secrets import choice

LETTERS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # no I, L, O, U: nobody has to ask which it was
LENGTH = 20
GROUP = 5
LEAST_LENGTH = 16  # of a key that somebody made up: below, it can be guessed
_ALIKE = str.maketrans("ILO", "110")


@dataclass(frozen=True, slots=True)
class Keys:
    """One key for what the prober sends, one for what the server does."""

    asking: bytes
    answering: bytes


def new_key() -> str:
    """A key to read out or to copy."""
    letters = "".join(choice(LETTERS) for _ in range(LENGTH))
    return "-".join(letters[i : i + GROUP] for i in range(0, LENGTH, GROUP))


def normal(written: str) -> str:
    """A key however it was typed: case, spaces, hyphens and look-alikes do not matter.

    ValueError where too little of it is left.
    """
    plain = "".join(written.split()).replace("-", "").upper().translate(_ALIKE)
    if len(plain) < LEAST_LENGTH:
        raise ValueError(f"a key has at least {LEAST_LENGTH} letters and digits, this one {len(plain)}")
    return plain


def first_keys(key: str) -> Keys:
    """The keys before there is a session."""
    secret = normal(key).encode()
    return Keys(_expanded(secret, b"hello"), _expanded(secret, b"welcome"))


def session_keys(key: str, asked: bytes, answered: bytes) -> tuple[bytes, Keys]:
    """A session's name (8 octets) and its keys, from both nonces."""
    secret = normal(key).encode()
    both = asked + answered
    keys = Keys(_expanded(secret, b"ask" + both), _expanded(secret, b"answer" + both))
    return _expanded(secret, b"session" + both)[:8], keys


def fingerprint(key: str) -> str:
    """Eight digits by which two results are known to have used one key; it tells nothing of the key."""
    return _expanded(normal(key).encode(), b"fingerprint")[:4].hex()


def _expanded(secret: bytes, label: bytes) -> bytes:
    return hmac.digest(secret, b"toprung probe 1 " + label + b"\x01", hashlib.sha256)
