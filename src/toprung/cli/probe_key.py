"""The probe's key: from a file, from the environment, or asked for on a terminal."""

from __future__ import annotations

import os
import sys

from toprung.errors import UsageError
from toprung.live.probing.keys import normal

VARIABLE = "TOPRUNG_PROBE_KEY"
_PRINTED = "the key that the server printed would be right"


def given_key(path: str | None) -> str | None:
    """The key of the file, else of the variable, else None."""
    if path is None:
        return _checked(os.environ[VARIABLE], VARIABLE) if os.environ.get(VARIABLE) else None
    try:
        with open(path, encoding="ascii") as file:
            return _checked(file.read(1024), path)
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "this is no key"
        raise UsageError(why.lower(), path, "a file with the key would be right") from None


def asked_key() -> str:
    """The key as somebody types it; UsageError without a terminal."""
    from getpass import getpass

    if not sys.stdin.isatty():
        says = f"would be right: --key-file FILE, or {VARIABLE}=KEY in the environment"
        raise UsageError("the key that the server printed is needed", "toprung probe", says)
    return _checked(getpass("key that the server printed: "), "the key")


def _checked(written: str, where: str) -> str:
    try:
        normal(written)
    except ValueError as error:
        raise UsageError(str(error), where, _PRINTED) from None
    return written
