"""The lists of single numbers that GAPs carry besides their run (DDSI-RTPS 2.5, 8.3.8.4 and 9.4.2.6)."""

from __future__ import annotations

from itertools import groupby
from typing import Any

import numpy as np

from toprung.wire.ids import Flag, Sub

Run = tuple[int, int, int]  # submessage row, first number, the one after the last


def listed_runs(block: Any) -> list[Run]:
    """Runs of numbers in the lists of a block's GAPs (`toprung.wire.scan.Block`); few GAPs have a list."""
    s, n = block.submessages, block.n_submessages
    rows = np.flatnonzero((s.kind[:n] == Sub.GAP) & (s.named[:n] > 0))
    return [run for row in rows.tolist() for run in _runs(block, row)]


def _runs(block: Any, row: int) -> list[Run]:
    s = block.submessages
    order = "<" if int(s.flags[row]) & Flag.LITTLE_ENDIAN else ">"
    data = bytes(block.payload(row))
    words = np.frombuffer(data[: len(data) & ~3], order + "u4")
    # bit 0 is the most significant one of the first word
    bits = np.unpackbits(words.astype(">u4").view("u1"))[: int(s.extent[row])]
    base = int(s.base[row])
    runs = []
    for _, places in groupby(enumerate(np.flatnonzero(bits).tolist()), lambda p: p[1] - p[0]):
        run = [place for _, place in places]
        runs.append((row, base + run[0], base + run[-1] + 1))
    return runs
