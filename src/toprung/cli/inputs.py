"""Which word of the command line is a site and which a capture, and reading them.

A file's content tells what it is, never its name.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from toprung.errors import CaptureError, SiteError, ToolError, UsageError

if TYPE_CHECKING:
    from toprung.live.reading import CaptureWord
    from toprung.model.probe import ProbeResults, Served
    from toprung.model.site import Site

# pcap (us and ns, both byte orders), pcapng, and what compresses them: gzip (RFC 1952), zstd (RFC 8878)
MAGICS = tuple(
    bytes.fromhex(digits)
    for digits in ("a1b2c3d4", "d4c3b2a1", "a1b23c4d", "4d3cb2a1", "0a0d0d0a", "1f8b", "28b52ffd")
)
_PEEK = 4096


@dataclass(frozen=True, slots=True)
class Inputs:
    site: str | None  # path
    captures: tuple[CaptureWord, ...]


def sort_words(words: Sequence[str], *, site_wanted: bool, capture_wanted: bool = True) -> Inputs:
    """Tell site and captures apart.  Raises ToolError for what is neither, missing or twice."""
    from toprung.live.reading import CaptureWord

    site: str | None = None
    captures: list[CaptureWord] = []
    for word in words:
        machine, path = _split(word)
        if machine is not None or not _is_text(path):
            captures.append(CaptureWord(machine, path))
        elif not site_wanted:
            raise CaptureError("this is a text file", path, "a capture (pcap or pcapng) would be right")
        elif site is not None:
            raise UsageError(
                f"a second site file, beside {site}", path, "one site with its captures would be right"
            )
        else:
            site = path
    if not captures and capture_wanted:
        example = f"toprung read {site or 'site.yaml'} base=base.pcap"
        raise UsageError("no capture is given", site or "command line", f"would be right: {example}")
    return Inputs(site, tuple(captures))


def read_site(path: str) -> Site:
    """The site of a file."""
    from toprung.model.site_file import load_site

    return load_site(site_source(path), path)


def site_source(path: str) -> bytes:
    """What stands in a site file, a little more than may stand there at most."""
    from toprung.live.pipes import open_file
    from toprung.model.site_yaml import MOST_BYTES

    try:
        with open_file(path) as file:
            return file.read(MOST_BYTES + 1)
    except OSError as error:
        raise SiteError(_why(error), path, "a readable site file would be right") from None


def check_machines(captures: Iterable[CaptureWord], site: Site) -> None:
    """Every label must be a machine of the site, and label one capture only."""
    names = [m.name for m in site.machines]
    for capture in captures:
        if capture.machine is not None and capture.machine not in names:
            says = f'the site has no machine "{capture.machine}"'
            raise UsageError(says, f"{capture.machine}={capture.path}", f"would be right: {', '.join(names)}")


def check_here(here: str | None, site: Site | None) -> None:
    """--here names a machine of the site; without a site it may be any name."""
    if here is None or site is None:
        return
    names = [m.name for m in site.machines]
    if here not in names:
        raise UsageError(f'the site has no machine "{here}"', "--here", f"would be right: {', '.join(names)}")


def check_captures(captures: Iterable[CaptureWord]) -> None:
    """Each can be opened and begins as a capture does; what comes later is for its reading to say."""
    for capture in captures:
        try:
            if not stat.S_ISREG(os.stat(capture.path).st_mode):
                raise CaptureError("this can be read only once", capture.path, "a file would be right")
            with open(capture.path, "rb") as file:
                start = file.read(_PEEK)
        except OSError as error:
            raise CaptureError(_why(error), capture.path, "a readable file would be right") from None
        if not start.startswith(MAGICS):
            says = "this is not a capture" if start else "it is empty"
            raise CaptureError(says, capture.path, "a pcap or pcapng capture would be right")


def stand_at(captures: tuple[CaptureWord, ...], here: str | None) -> tuple[CaptureWord, ...]:
    """The captures, with the one that nobody labelled taken on the machine `here`."""
    if here is None:
        return captures
    bare = [c for c in captures if c.machine is None]
    if len(bare) != 1:
        raise UsageError(
            f"{len(bare)} captures are without a machine, --here can be meant for one only",
            f"--here {here}",
            f"would be right: {here}=CAPTURE",
        )
    if any(c.machine == here for c in captures):
        raise UsageError(
            f"another capture is labelled {here}", f"--here {here}", "one capture a machine would be right"
        )
    return tuple(replace(c, machine=here) if c.machine is None else c for c in captures)


def read_probes(paths: Sequence[str], site: Site | None) -> tuple[ProbeResults | Served, ...]:
    """Results of probes, of machines that the site knows."""
    from toprung.model.probe_file import MOST_BYTES, ProbeFileError, probe_results

    found = []
    for path in paths:
        try:
            with open(path, encoding="utf-8", errors="replace") as file:
                results = probe_results(file.read(MOST_BYTES), os.path.basename(path))
        except OSError as error:
            raise ProbeFileError(
                _why(error), path, "what `toprung probe --into` wrote would be right"
            ) from None
        for party in results.parties if site is not None else ():
            if not any(site.machine_at(address) for address in party.addresses if site):
                says = f"no machine of the site has an address of {party.name or 'the target'}"
                raise UsageError(says, path, f"one of {', '.join(party.addresses)} would be right")
        found.append(results)
    return tuple(found)


def _split(word: str) -> tuple[str | None, str]:
    """MACHINE=PATH; a file whose own name holds the equals sign is taken as it is."""
    if "=" not in word or os.path.exists(word):
        return None, word
    machine, _, path = word.partition("=")
    if not machine or not path:
        raise UsageError(
            "a machine, an equals sign and a file are needed", word, "would be right: base=base.pcap"
        )
    return machine, path


def _is_text(path: str) -> bool:
    """Whether the file could be a site: readable text without a capture's magic."""
    if path == "-":
        return False  # standard input
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):
            if os.path.isdir(path):
                raise CaptureError("this is a folder", path, "a file would be right")
            return False  # a pipe can be read only once
        with open(path, "rb") as file:
            start = file.read(_PEEK)
    except OSError as error:
        raise _Unreadable(_why(error), path, "a readable file would be right") from None
    return bool(start) and not start.startswith(MAGICS) and b"\0" not in start


class _Unreadable(ToolError):
    """A file that cannot be opened, whatever it is."""


def _why(error: OSError) -> str:
    return (error.strerror or "cannot be read").lower()
