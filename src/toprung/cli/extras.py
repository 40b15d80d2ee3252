"""Parts of the tool that want more libraries than reading captures does."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from toprung.errors import UsageError


@contextmanager
def needed(extra: str, *modules: str) -> Iterator[None]:
    """Imports within may miss a library of this extra; then one line says how to get it."""
    try:
        yield
    except ModuleNotFoundError as error:
        missing = (error.name or "").split(".")[0]
        if missing not in modules:
            raise
        raise UsageError(
            f"the library {missing} is not installed", f"toprung[{extra}]", f"pip install 'toprung[{extra}]'"
        ) from None
    except OSError as error:  # as ctypes says that a system library is missing
        raise UsageError(
            f"a system library cannot be loaded ({str(error).splitlines()[0]})",
            f"toprung[{extra}]",
            "apt install libpango-1.0-0 libpangoft2-1.0-0 would be right",
        ) from None
