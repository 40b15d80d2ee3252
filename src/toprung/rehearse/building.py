"""What is compiled on demand: the Fast DDS peer, and the library that moves a process's wall clock.

Built once into a cache folder, under a name that holds the sources' fingerprint.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from toprung.errors import RehearseError

PROGRAMS = Path(__file__).resolve().parent / "programs"


@dataclass(frozen=True, slots=True)
class Build:
    """A compilation.  `headers`: folders that it cannot do without."""

    name: str
    sources: tuple[str, ...]  # the first one is compiled
    compiler: tuple[str, ...]
    libraries: tuple[str, ...]
    headers: tuple[str, ...]
    packages: str  # of Debian


FAST_PEER = Build(
    "peer_fast",
    ("peer_fast.cpp", "peer_fast_words.hpp"),
    ("g++", "-std=c++17", "-O1"),
    ("-lfastrtps", "-lfastcdr", "-pthread"),
    ("/usr/include/fastrtps", "/usr/include/fastcdr"),
    "g++ libfastrtps-dev",
)
CLOCK_SHIM = Build(
    "clock_shim.so", ("clock_shim.c",), ("gcc", "-O1", "-shared", "-fPIC"), ("-ldl",), (), "gcc"
)


def cache_folder() -> Path:
    """Where built programs are kept (XDG Base Directory Specification)."""
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "toprung"


def lacking(build: Build) -> str:
    """The Debian packages without which it cannot be built; empty where nothing is missing."""
    there = shutil.which(build.compiler[0]) and all(Path(h).is_dir() for h in build.headers)
    return "" if there else build.packages


def target_of(build: Build, folder: Path | None = None) -> Path:
    """Where the compiled file is, or will be."""
    return (folder or cache_folder()) / f"{_fingerprint(build)}-{build.name}"


def built(build: Build, folder: Path | None = None) -> Path:
    """The compiled file, made now where it is not there yet (the Fast DDS peer takes some seconds)."""
    target = target_of(build, folder)
    if target.exists():
        return target
    if packages := lacking(build):
        raise RehearseError("it cannot be compiled here", build.sources[0], f"apt install {packages}")
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f"{target.name}.{os.getpid()}")
    words = [*build.compiler, "-o", str(part), str(PROGRAMS / build.sources[0]), *build.libraries]
    tried = subprocess.run(words, capture_output=True, text=True, check=False)
    if tried.returncode:
        why = next((line for line in tried.stderr.splitlines() if "error" in line), tried.stderr[:300])
        raise RehearseError(f"it does not compile: {why}", build.sources[0], f"apt install {build.packages}")
    part.replace(target)
    return target


def _fingerprint(build: Build) -> str:
    text = repr((build.compiler, build.libraries)).encode()
    for name in build.sources:
        text += (PROGRAMS / name).read_bytes()
    return sha256(text).hexdigest()[:12]
