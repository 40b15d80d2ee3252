"""Work inside another process's network namespace; what is opened there stays there (setns(2))."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Callable
from threading import Thread
from typing import TypeVar

NETWORK = 0x40000000  # CLONE_NEWNET
Result = TypeVar("Result")


def inside(pid: int | None, work: Callable[[], Result]) -> Result:
    """What `work` returns, called in the network namespace of process `pid`; None: in our own.

    A thread of its own enters the namespace and ends: nothing else of this process moves.  Raises OSError:
    no such process, no privilege (CAP_SYS_ADMIN); and whatever `work` raises.
    """
    if pid is None:
        return work()
    done: list[Result] = []
    faults: list[BaseException] = []

    def enter() -> None:
        try:
            _enter(pid)
            done.append(work())
        except BaseException as fault:
            faults.append(fault)

    thread = Thread(target=enter, name="namespace", daemon=True)
    thread.start()
    thread.join()
    if faults:
        raise faults[0]
    return done[0]


def _enter(pid: int) -> None:
    there = os.open(f"/proc/{pid}/ns/net", os.O_RDONLY | os.O_CLOEXEC)
    try:
        if ctypes.CDLL(None, use_errno=True).setns(there, NETWORK):
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))
    finally:
        os.close(there)
