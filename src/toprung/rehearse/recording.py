"""Captures of all machines from our side: the recorder process, started and ended."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from subprocess import PIPE

from toprung.errors import RehearseError
from toprung.rehearse.machines import Machine, spawn


class Recording:
    """Records until `stop`.  files: where each machine's capture goes; times are its clock's."""

    def __init__(self, machines: Mapping[str, Machine], files: Mapping[str, Path]) -> None:
        told = [[machines[m].pid, round(machines[m].clock_s * 1e9), str(path)] for m, path in files.items()]
        words = [sys.executable, "-m", "toprung.rehearse.recorder"]
        self._process = spawn(words, stdin=PIPE, stdout=PIPE, stderr=PIPE)
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(told).encode() + b"\n")
        self._process.stdin.flush()
        if self._process.stdout.readline() != b"ready\n":
            _, trouble = self._process.communicate()
            why = trouble.decode(errors="replace").strip().split("\n")[-1]
            raise RehearseError(
                f"captures cannot be taken ({why})", "rehearsal", "a kernel with packet sockets"
            )

    def stop(self) -> None:
        """Have what was captured written, and end."""
        self._process.communicate()
