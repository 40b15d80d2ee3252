"""Large tables of which only a part will ever be used."""

from __future__ import annotations

import math
import mmap
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

LARGE = 1 << 20  # octets from which pages of their own are worth it


def blank(shape: int | tuple[int, ...], dtype: DTypeLike) -> NDArray[Any]:
    """Zeroes that take memory only where they are touched, and that go back to the system at once.

    `np.zeros` does so too, until a large array was freed: then the C library keeps its heap, and clears all
    of it for the next one.
    """
    kind = np.dtype(dtype)
    count = math.prod(shape) if isinstance(shape, tuple) else shape
    if count * kind.itemsize < LARGE:
        return np.zeros(shape, kind)
    return np.frombuffer(mmap.mmap(-1, count * kind.itemsize), kind, count).reshape(shape)
