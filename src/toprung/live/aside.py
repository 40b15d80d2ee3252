"""Packets taken aside while somebody thinks: the kernel's ring holds few seconds of a busy network."""

from __future__ import annotations

from threading import Event, Thread

from toprung.live.hearing import Ear

MOST_BYTES = 1 << 27  # that are kept aside; what is more stays in the ring, and is dropped when that is full
WAIT_S = 0.02


class Aside:
    """While inside, a thread of its own takes what comes; `chunks` are in order, complete afterwards."""

    def __init__(self, ear: Ear) -> None:
        self.chunks: list[bytes] = []
        self._ear = ear
        self._over = Event()
        self._fault: BaseException | None = None
        self._thread = Thread(target=self._run, name="aside", daemon=True)

    def _run(self) -> None:
        kept = 0
        try:
            while not self._over.is_set() and kept < MOST_BYTES:
                for _, chunk in self._ear.chunks(WAIT_S):
                    self.chunks.append(bytes(chunk))
                    kept += len(chunk)
        except BaseException as fault:
            self._fault = fault

    def __enter__(self) -> Aside:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()
        if self._fault is not None:
            raise self._fault
