"""Captures being recorded: pcapng that can be read at any time while it grows.

recorder = Recorder([Recording(Path("base.pcapng"), ("usb0",), netns_pid=4711)]).start()
...
recorder.flush()   # all that has passed by now is in the files
recorder.stop()
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event, Thread

from toprung.errors import LiveError
from toprung.live.hearing import Ear
from toprung.live.packets import Counts, Settings, Tap
from toprung.live.sections import section, statistics

TURN_S = 0.1


@dataclass(frozen=True, slots=True)
class Recording:
    """Which interfaces are recorded where.  netns_pid: in the network namespace of that process.

    offset_ns: how far the recording machine's clock is ahead of this computer's.
    """

    path: Path
    interfaces: tuple[str, ...]
    netns_pid: int | None = None
    offset_ns: int = 0


class Saver:
    """One growing file.  Whole blocks are written, unbuffered: who reads meanwhile finds all but perhaps the
    last packet whole."""

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        try:
            self._file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise _unwritable(error, self.path) from None

    def write(self, octets: bytes | memoryview) -> None:
        """Append.  Raises LiveError (no room left, and the like)."""
        rest = memoryview(octets)
        try:
            while rest:
                rest = rest[os.write(self._file, rest) :]
        except OSError as error:
            raise _unwritable(error, self.path) from None

    def close(self) -> None:
        """No more is written."""
        os.close(self._file)


def _unwritable(error: OSError, path: Path) -> LiveError:
    why = (error.strerror or "cannot be written").lower()
    return LiveError(why, str(path), "a file that can be written, with room for the capture, would be right")


def taps_of(
    interfaces: Sequence[str], *, netns_pid: int | None = None, settings: Settings | None = None
) -> tuple[list[Tap], bytes]:
    """Taps of one capture, numbered in order, and the capture's head."""
    taps: list[Tap] = []
    try:
        for number, name in enumerate(interfaces):
            taps.append(Tap.open(name, netns_pid=netns_pid, number=number, settings=settings))
    except BaseException:
        for tap in taps:
            tap.close()
        raise
    return taps, section() + b"".join(tap.head for tap in taps)


class Recorder:
    """Records several captures, of several network namespaces, in one thread.

    settings: of every tap; the clock offset is the recording's.
    """

    def __init__(self, recordings: Sequence[Recording], settings: Settings | None = None) -> None:
        self.recordings = tuple(recordings)
        self._settings = settings or Settings(ring_bytes=1 << 24)
        self._savers: dict[Tap, Saver] = {}
        self._rounds = 0
        self._asked = Event()
        self._flushed = Event()
        self._end = Event()
        self._fault: Exception | None = None
        self._thread = Thread(target=self._run, name="recorder", daemon=True)

    def start(self) -> Recorder:
        """All taps are open when this returns.  Raises LiveError, UsageError."""
        try:
            for recording in self.recordings:
                self._open(recording)
        except BaseException:
            self._close()
            raise
        self._ear = Ear(list(self._savers))
        self._thread.start()
        return self

    def _open(self, recording: Recording) -> None:
        settings = replace(self._settings, offset_ns=recording.offset_ns)
        taps, head = taps_of(recording.interfaces, netns_pid=recording.netns_pid, settings=settings)
        saver = Saver(recording.path)
        self._savers |= dict.fromkeys(taps, saver)
        saver.write(head)

    def _run(self) -> None:
        try:
            while not self._end.is_set():
                for tap, chunk in self._ear.chunks(TURN_S):
                    self._savers[tap].write(chunk)
                if self._asked.is_set():
                    self._asked.clear()
                    self._drain()
                    self._flushed.set()
            self._drain()
            for tap, saver in self._savers.items():
                counts = tap.counts()
                saver.write(statistics(tap.number, tap.last_ns, counts.packets, counts.drops))
        except Exception as fault:
            self._fault = fault
        finally:
            self._flushed.set()

    def _drain(self) -> None:
        for tap, chunk in self._ear.drain():
            self._savers[tap].write(chunk)

    def flush(self) -> None:
        """Wait until all packets that have passed by now are in the files.  Raises what stopped recording."""
        self._flushed.clear()
        self._asked.set()
        while self._thread.is_alive() and not self._flushed.wait(TURN_S):
            pass
        if self._fault is not None:
            raise self._fault

    def counts(self) -> dict[Path, Counts]:
        """For each file the packets, and how many of them were lost for want of room."""
        found: dict[Path, Counts] = {}
        for tap, saver in self._savers.items():
            before, now = found.get(saver.path, Counts(0, 0)), tap.counts()
            found[saver.path] = Counts(before.packets + now.packets, before.drops + now.drops)
        return found

    def stop(self) -> dict[Path, Counts]:
        """Take what is on its way, and end.  Raises what stopped recording before."""
        self._end.set()
        if self._thread.ident is not None:
            self._thread.join()
        counts = self.counts()
        self._close()
        if self._fault is not None:
            raise self._fault
        return counts

    def _close(self) -> None:
        for tap in self._savers:
            tap.close()
        for saver in set(self._savers.values()):
            with suppress(OSError):
                saver.close()
        self._savers.clear()

    def __enter__(self) -> Recorder:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()
