"""All rows of a scan as plain Python values, and the kernels uncompiled."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

import toprung.wire
from toprung.wire.columns import MESSAGE_COLUMNS, SUBMESSAGE_COLUMNS
from toprung.wire.kernels import KERNELS, Kernels
from toprung.wire.scan import Scan
from toprung.wire.summary import ScanSummary


class Seen(NamedTuple):
    """One scan's results."""

    messages: list[dict[str, Any]]
    submessages: list[dict[str, Any]]  # with "payload" and "inline" octets
    summary: ScanSummary


def read(capture: Any, kernels: Kernels = KERNELS) -> Seen:
    return gather([Scan(capture, kernels=kernels)])


def gather(scans: Iterable[Scan]) -> Seen:
    """Rows of scans that follow each other; the summary is the last one's."""
    messages: list[dict[str, Any]] = []
    submessages: list[dict[str, Any]] = []
    for scan in scans:
        for block in scan.blocks():
            before = len(messages)
            m = {
                c.name: getattr(block.messages, c.name)[: block.n_messages].tolist() for c in MESSAGE_COLUMNS
            }
            s = {
                c.name: getattr(block.submessages, c.name)[: block.n_submessages].tolist()
                for c in SUBMESSAGE_COLUMNS
            }
            rows = [dict(zip(m, row, strict=True)) for row in zip(*m.values(), strict=True)]
            for i, row in enumerate(rows):
                row["source"], row["target"] = (scan.tables.addresses[row[k]] for k in ("source", "target"))
                row["prefix"] = scan.tables.prefixes[row["prefix"]]
                row["datagram"] = bytes(block.datagram(i))
            messages += rows
            subs = [dict(zip(s, row, strict=True)) for row in zip(*s.values(), strict=True)]
            for i, row in enumerate(subs):
                row["sender"], row["addressee"] = (
                    scan.tables.prefixes[row[k]] for k in ("sender", "addressee")
                )
                row["payload"], row["inline"] = bytes(block.payload(i)), bytes(block.inline_qos(i))
                row["message"] += before
                del row["payload_at"]
            submessages += subs
        summary = scan.summary
    return Seen(messages, submessages, summary)


@lru_cache(maxsize=1)
def uncompiled() -> Kernels:
    """The kernels run as the plain Python that they are written in."""
    names = {
        "records": "Records",
        "datagrams": "Datagrams",
        "fragments": "Fragments",
        "submessages": "Submessages",
        "fingerprints": "Fingerprints",
        "pipeline": "Pipeline",
    }
    modules = {name: _plain(f"_{name}") for name in (*names, "intern")}
    classes = {name: getattr(modules[name], title) for name, title in names.items()}
    return Kernels(**classes, intern=modules["intern"].Intern)


def _plain(name: str) -> ModuleType:
    path = Path(toprung.wire.__file__).with_name(f"{name}.py")
    spec = importlib.util.spec_from_file_location(f"plain{name}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
