"""Counts of datagrams by second, sender and receiver: the sums over pairs without a loop over pairs.

Rows are a company's participants in the order of their starts; `up[i, j]` says that i was there when j came
and that they exchange datagrams over the wire.  Whatever happens between two is timed by the newcomer.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from toprung.forecast.company import Bools, Company, Floats

Matrix = NDArray[np.float32]


class Ledger:
    """Datagrams and bytes, (participants, seconds), of the window's seconds."""

    def __init__(self, company: Company, window_s: int) -> None:
        shape = (2, company.count, window_s)
        self.company = company
        self.window_s = window_s
        self.sent, self.received, self.multicast = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        self.probes = np.zeros((2, len(company.site.machines), window_s))  # that arrive at each machine
        self._zero = company.starts_s.min() if company.count else 0.0

    def bins(self, times_s: Floats) -> Matrix:
        """(n, seconds): 1 in the second of each time; all 0 outside the window."""
        at = np.floor(times_s - self._zero)
        inside = (at >= 0) & (at < self.window_s)
        hot = np.zeros((len(times_s), self.window_s), "f4")
        hot[np.flatnonzero(inside), at[inside].astype("i8")] = 1.0
        return hot

    def to_newcomer(self, up: Matrix, size: tuple[Floats, Floats], after_s: float = 0.0) -> None:
        """Everybody there sends to each newcomer; `size`: (datagrams, bytes) by sender."""
        hot = self.bins(self.company.starts_s + after_s)
        met = up @ hot
        for kind in (0, 1):
            self.sent[kind] += met * size[kind][:, None]
            self.received[kind] += hot * (size[kind].astype("f4") @ up)[:, None]

    def from_newcomer(self, up: Matrix, size: tuple[Floats, Floats], after_s: float = 0.0) -> None:
        """Each newcomer sends to everybody there; `size`: (datagrams, bytes) by sender."""
        hot = self.bins(self.company.starts_s + after_s)
        for kind in (0, 1):
            self.sent[kind] += hot * (up.sum(0) * size[kind])[:, None]
            self.received[kind] += up @ (hot * size[kind][:, None].astype("f4"))

    def spread(
        self, to: Matrix, hot: Matrix, size: tuple[Floats, Floats], by_multicast: Bools | None = None
    ) -> None:
        """Each participant sends to all of its row in `to`: one multicast, or each by unicast.

        hot: (n, seconds), how often in each.
        """
        cast = np.zeros(len(hot), bool) if by_multicast is None else by_multicast
        alone = to * ~cast[:, None]
        for kind in (0, 1):
            self.multicast[kind] += hot * (cast * (to.sum(1) > 0) * size[kind])[:, None]
            self.sent[kind] += hot * (alone.sum(1) * size[kind])[:, None]
            self.received[kind] += alone.T @ (hot * size[kind][:, None].astype("f4"))

    def answered(self, to: Matrix, hot: Matrix, size: tuple[Floats, Floats]) -> None:
        """All of a row answer each of the participant's messages; `size` by who answers."""
        for kind in (0, 1):
            self.received[kind] += hot * (to @ size[kind].astype("f4"))[:, None]
            self.sent[kind] += (to.T @ hot) * size[kind][:, None]

    def probe(self, hot: Matrix, rows: Bools, size: tuple[Floats, Floats]) -> None:
        """Participants try all ports of the addresses that they are told to look at."""
        asked = self.company.asked * rows[:, None]
        for kind in (0, 1):
            self.sent[kind] += hot * (asked.sum(1) * size[kind])[:, None]
            self.probes[kind] += asked.T @ (hot * size[kind][:, None])

    def at_machines(self) -> tuple[Floats, Floats]:
        """(in, out) of each machine: (2, machines, seconds); a multicast counts once at each machine."""
        company = self.company
        into, out = self.probes.copy(), np.zeros_like(self.probes)
        for kind in (0, 1):
            np.add.at(into[kind], company.machine, self.received[kind])
            np.add.at(out[kind], company.machine, self.sent[kind])
            np.add.at(out[kind], company.machine, self.multicast[kind] * company.copies[:, None])
            into[kind] += company.reached.T.astype("f4") @ self.multicast[kind]
        return into, out
