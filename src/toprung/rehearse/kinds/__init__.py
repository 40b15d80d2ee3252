"""The vocabulary of faults, one module a rung."""

from __future__ import annotations

from toprung.rehearse.kinds import flowing, heard, introduced, matched, path, timely
from toprung.rehearse.kinds.kind import Kind

KINDS: dict[str, Kind] = {
    kind.code: kind for module in (path, heard, introduced, matched, flowing, timely) for kind in module.KINDS
}
