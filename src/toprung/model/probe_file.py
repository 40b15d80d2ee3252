"""Results of probes as JSON text and back: `"toprung": 1, "kind": "probed"` or `"served"`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, fields, is_dataclass
from types import NoneType, UnionType
from typing import Any, get_args, get_origin, get_type_hints

from toprung.errors import ToolError
from toprung.model.probe import ProbeResults, Served

VERSION = 1
KINDS: Mapping[str, type[ProbeResults] | type[Served]] = {"probed": ProbeResults, "served": Served}
MOST_BYTES = 4 << 20
_RIGHT = "a file that `toprung probe --into` wrote would be right"


class ProbeFileError(ToolError):
    """A file cannot be read as results of a probe."""


def probe_data(results: ProbeResults | Served) -> dict[str, Any]:
    """Plain data for `json.dumps`; the label is the reader's affair."""
    kind = next(kind for kind, noun in KINDS.items() if isinstance(results, noun))
    data = {"toprung": VERSION, "kind": kind, **asdict(results)}
    del data["label"]
    return data


def results_text(results: ProbeResults | Served) -> str:
    """A results file."""
    return json.dumps(probe_data(results), indent=1) + "\n"


def probe_results(text: str, label: str) -> ProbeResults | Served:
    """What a results file says; `label` is how evidence names it.  Raises ProbeFileError."""
    try:
        data = json.loads(text)
    except ValueError as error:
        raise ProbeFileError(f"it is no JSON ({error})", label, _RIGHT) from None
    noun = KINDS.get(str(data.get("kind"))) if isinstance(data, dict) else None
    if noun is None or data.get("toprung") != VERSION:
        raise ProbeFileError("it holds no results of a probe", label, _RIGHT)
    try:
        results = noun(**_filled(noun, {**data, "label": label}))
        if not all(party.addresses for party in results.parties):
            raise ValueError("a machine without an address")
        return results
    except (TypeError, ValueError, KeyError) as error:
        raise ProbeFileError(f"a value is missing or of the wrong kind ({error})", label, _RIGHT) from None


def _filled(noun: type[Any], data: Mapping[str, Any]) -> dict[str, Any]:
    """The noun's arguments, each of its declared kind.  Raises KeyError, TypeError."""
    kinds = get_type_hints(noun)
    wanted = [f.name for f in fields(noun)]
    return {name: _as(kinds[name], data[name], name) for name in wanted}


def _as(kind: Any, value: Any, name: str) -> Any:
    if get_origin(kind) is UnionType:
        if value is None:
            return None
        (kind,) = (k for k in get_args(kind) if k is not NoneType)
    if get_origin(kind) is tuple:
        if not isinstance(value, list):
            raise TypeError(f"{name} is no list")
        return tuple(_as(get_args(kind)[0], each, name) for each in value)
    if isinstance(kind, type) and is_dataclass(kind):
        if not isinstance(value, dict):
            raise TypeError(f"{name} is no object")
        return kind(**_filled(kind, value))
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if not isinstance(value, kind) or (kind is not bool and isinstance(value, bool)):
        raise TypeError(f"{name} is no {kind.__name__}")
    return value
