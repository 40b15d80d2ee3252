"""Temporary folders, and those of runs that were killed: removed where they are provably ours.

A folder's marker names the process that made it, by number and start time (proc(5)), and the boot it ran
in; when no such process is there any more, nobody uses the folder.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

REHEARSAL = "toprung-rehearsal-"
PAGE = "toprung-page-"
MARKER = "owner.json"
_START_TIME = 19  # field of /proc/PID/stat after the name, counted from zero


@contextmanager
def temporary_folder(prefix: str) -> Iterator[Path]:
    """A folder with our marker, removed afterwards; earlier ones that nobody uses any more go first."""
    remove_leftovers(prefix)
    folder = Path(tempfile.mkdtemp(prefix=prefix))
    try:
        (folder / MARKER).write_text(json.dumps(_process(os.getpid())))
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def remove_leftovers(prefix: str) -> list[Path]:
    """Remove the folders whose process is gone; which ones."""
    removed = []
    for folder in Path(tempfile.gettempdir()).glob(prefix + "*"):
        if _is_left(folder):
            shutil.rmtree(folder, ignore_errors=True)
            removed.append(folder)
    return removed


def _is_left(folder: Path) -> bool:
    try:
        if folder.is_symlink() or folder.stat().st_uid != os.geteuid():
            return False
        owner = json.loads((folder / MARKER).read_text())
        return bool(owner) and owner != _process(int(owner["pid"]))
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _process(pid: int) -> dict[str, object] | None:
    """What tells a process from every other one; None where there is none of this number."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text()
        boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return None
    return {"pid": pid, "begun": stat.rpartition(")")[2].split()[_START_TIME], "boot": boot}
