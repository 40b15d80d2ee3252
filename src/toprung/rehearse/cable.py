"""Wires: every direction has the link's rate for itself, and a switch in the middle of more than two ends.

A frame takes its bits over the rate (store and forward), behind those before it; what would wait longer
than the link's queue is dropped.
"""

from __future__ import annotations

from collections.abc import Sequence

from toprung.rehearse.medium import Medium, Station
from toprung.rehearse.specs import LinkSpec

# IEEE 802.3, 4.2.3 and 4.4.2: octets on the wire beside what a TAP device shows of a frame
_AROUND = 8 + 4 + 12  # preamble, checksum, gap
_LEAST = 60  # shorter frames are padded


class Cable(Medium):
    """Ethernet and USB."""

    def __init__(self, spec: LinkSpec, stations: Sequence[Station], seed: int = 0) -> None:
        super().__init__(spec, stations, seed)
        self._rate_bps = spec.rate_bps or 0.0
        self._ethernet = spec.kind == "ethernet"
        self._switched = len(self.stations) > 2
        self._sends_until = [0.0] * len(self.stations)
        self._hands_until = [0.0] * len(self.stations)

    def duration_s(self, frame: bytes) -> float:
        """How long a frame takes one wire."""
        octets = max(len(frame), _LEAST) + _AROUND if self._ethernet else len(frame)
        return 8 * octets / self._rate_bps

    def _carry(self, now: float, sender: int, receivers: tuple[int, ...], frame: bytes) -> None:
        if not self._rate_bps:
            self._pass(now, sender, receivers, frame)
            return
        through = self._queue(self._sends_until, sender, now, frame)
        if through is None:
            self.tally.full += len(receivers)
        elif self._switched:
            self._at(through, self._switch, sender, receivers, frame)
        else:
            self._at(through, self._pass, sender, receivers, frame)

    def _switch(self, now: float, sender: int, receivers: tuple[int, ...], frame: bytes) -> None:
        for receiver in receivers:
            through = self._queue(self._hands_until, receiver, now, frame)
            if through is None:
                self.tally.full += 1
            else:
                self._at(through, self._pass, sender, (receiver,), frame)

    def _queue(self, until: list[float], port: int, now: float, frame: bytes) -> float | None:
        """When the frame is through this wire; None: there was no room for it."""
        begin = max(now, until[port])
        if begin - now > self.spec.queue_s:
            return None
        duration = self.duration_s(frame)
        self.tally.busy_s += duration
        until[port] = begin + duration
        return until[port]
