"""The fold kernels, as built and as the plain Python that they are written in."""

from __future__ import annotations

import importlib.util
import sys
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from types import ModuleType

import toprung.observe
from toprung.observe import shards, tables

KERNELS = (
    "_histograms",
    "_keys",
    "_rows",
    "_assemblies",
    "_calls",
    "_prints",
    "_samples",
    "_streams",
    "_talk",
)
CLASSES = {name: name[1:].title() for name in KERNELS}


@lru_cache(maxsize=1)
def plain() -> dict[str, ModuleType]:
    """Every kernel's module, uncompiled; they import each other's plain forms."""
    folder = Path(toprung.observe.__file__).parent
    kept = {name: sys.modules[f"toprung.observe.{name}"] for name in KERNELS}
    modules = {}
    try:
        for name in KERNELS:
            full = f"toprung.observe.{name}"
            spec = importlib.util.spec_from_file_location(full, folder / f"{name}.py")
            modules[name] = sys.modules[full] = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(modules[name])
    finally:
        for name, module in kept.items():
            sys.modules[f"toprung.observe.{name}"] = module
    return modules


@contextmanager
def uncompiled():
    """Folds made inside run as plain Python."""
    kept = {name: getattr(tables, name) for name in CLASSES.values() if hasattr(tables, name)}
    rows = shards.Rows
    try:
        for module, name in CLASSES.items():
            if name in kept:
                setattr(tables, name, getattr(plain()[module], name))
        shards.Rows = plain()["_rows"].Rows
        yield
    finally:
        shards.Rows = rows
        for name, original in kept.items():
            setattr(tables, name, original)


def shard_of(blocks, crossing=True):
    """What folding these blocks gives."""
    shard = shards.Shard(0, "made", None, None, tables.Folds(crossing))
    for block in blocks:
        shard.feed(block)
    return shard


def state(folds):
    """Everything that folds hold, to be compared."""
    held = {"loads": folds.loads.copy(), "clock": folds.clock(), "prints": folds.remembered()}
    for name in ("samples", "talk", "streams", "calls"):
        table = getattr(folds, name)
        held[name] = (table.words[: table.used].copy(), table.record.copy())
    held["bits"] = folds.samples.arrays["bits"][: folds.samples.used].copy()
    held["holes"] = folds.samples.arrays["holes"][: folds.samples.used].copy()
    held["histograms"] = folds.histograms[:512].copy()
    return held
