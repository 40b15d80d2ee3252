"""The kernels of a scan, compiled where a compiler was at hand when this was installed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

from numpy.typing import NDArray

from toprung.wire import _datagrams, _fingerprints, _fragments, _intern, _pipeline, _records, _submessages

_MODULES = (_datagrams, _fingerprints, _fragments, _intern, _pipeline, _records, _submessages)


@dataclass(frozen=True, slots=True)
class Kernels:
    """One class for each step from bytes to rows."""

    records: Any  # capture bytes -> packets
    datagrams: Any  # packets -> messages and pieces of messages
    fragments: Any  # pieces -> messages
    submessages: Any  # messages -> submessages
    fingerprints: Any  # messages -> what tells them from others
    pipeline: Any  # all of them, one after the other
    intern: Any  # addresses and GUID prefixes -> numbers


KERNELS = Kernels(
    _records.Records,
    _datagrams.Datagrams,
    _fragments.Fragments,
    _submessages.Submessages,
    _fingerprints.Fingerprints,
    _pipeline.Pipeline,
    _intern.Intern,
)


def compiled() -> bool:
    """Whether scanning runs as machine code; otherwise it is right, and some hundred times slower."""
    return all(not str(module.__file__).endswith(".py") for module in _MODULES)


def as_view(array: NDArray[Any]) -> memoryview:
    """An array as a kernel takes it: uncompiled, its items must come out as Python's unbounded integers."""
    return memoryview(cast(Any, array))
