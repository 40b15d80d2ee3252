"""The simulation's kernels as the plain Python that they are written in."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import toprung.forecast

KERNELS = {"_events": "Events", "_transit": "Transit", "_simulation": "Simulation"}


@contextmanager
def plain_kernels() -> Iterator[dict[str, type]]:
    """Class name -> plain class; they import each other's plain forms."""
    folder = Path(toprung.forecast.__file__).parent
    kept = {name: sys.modules.get(f"toprung.forecast.{name}") for name in KERNELS}
    found = {}
    try:
        for name, kernel in KERNELS.items():
            full = f"toprung.forecast.{name}"
            spec = importlib.util.spec_from_file_location(full, folder / f"{name}.py")
            sys.modules[full] = module = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(module)
            found[kernel] = getattr(module, kernel)
        yield found
    finally:
        for name, module in kept.items():
            if module is not None:
                sys.modules[f"toprung.forecast.{name}"] = module
