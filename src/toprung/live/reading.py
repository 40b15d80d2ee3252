"""From capture files to what was observed, with everything read and judged on the way."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Protocol

from toprung.diagnose import diagnose
from toprung.diagnose.observed import Observed
from toprung.errors import CaptureError
from toprung.live.files import open_capture
from toprung.model.picture import NOTHING, Picture, View
from toprung.model.probe import ProbeResults, Served
from toprung.model.site import Site
from toprung.observe.drafting import draft
from toprung.observe.look import look
from toprung.observe.whoiswho import recognise
from toprung.wire.scan import Scan

_RECORD = "a capture of all UDP, on the interface that carries DDS and without a port filter, would be right"


@dataclass(frozen=True, slots=True)
class CaptureWord:
    """A capture file, and the machine that it was taken on where somebody said so."""

    machine: str | None
    path: str


class Tracker(Protocol):
    """Is called with the number of bytes read so far; `clear` ends it."""

    def __call__(self, done_bytes: int) -> None: ...

    def clear(self) -> None: ...


Tracking = Callable[[str, int | None], Tracker]  # by a capture's label and size


def picture_of(
    captures: Sequence[CaptureWord], site: Site | None = None, track: Tracking | None = None
) -> Picture:
    """Everything that the captures show; a site's addresses help to tell whose capture is whose."""
    known = {} if site is None else {m.name: m.hosts for m in site.machines}
    with ExitStack() as files:
        scans: list[tuple[str | None, Scan]] = []
        for capture in captures:
            file = files.enter_context(open_capture(capture.path))
            progress = None if track is None else track(file.label, file.size)
            if progress is not None:
                files.callback(progress.clear)
            scans += [(capture.machine, scan) for scan in file.scans(progress=progress)]
        picture = look(scans, known=known)
    if not any(view.datagrams for view in picture.views):
        packets = sum(view.packets for view in picture.views)
        where = ", ".join(view.label for view in picture.views)
        raise CaptureError(f"no RTPS in {packets:,} packets", where, _RECORD)
    return replace(picture, views=_shortly_labelled(picture.views))


def observe(
    site: Site | None,
    captures: Sequence[CaptureWord],
    track: Tracking | None = None,
    probes: Sequence[ProbeResults | Served] = (),
) -> Observed:
    """The captures judged against the site, or by themselves; probes beside them, or alone."""
    return judged(site, picture_of(captures, site, track) if captures else NOTHING, probes)


def judged(site: Site | None, picture: Picture, probes: Sequence[ProbeResults | Served] = ()) -> Observed:
    """What a picture shows, judged against the site, or against the flows that it shows itself."""
    expected = draft(picture) if site is None else site
    cast = recognise(expected, picture)
    diagnosis = diagnose(expected, picture, cast, probes)
    return Observed(expected, site is not None, picture, cast, diagnosis.ladder, diagnosis.findings)


def _shortly_labelled(views: tuple[View, ...]) -> tuple[View, ...]:
    """Views under their files' names, with as many folders as it takes to tell them apart."""
    paths = [PurePath(view.label).parts for view in views]
    depth = 1
    while depth < max(map(len, paths)) and len({p[-depth:] for p in paths}) < len(set(paths)):
        depth += 1
    return tuple(
        replace(view, label=str(PurePath(*path[-depth:]))) for view, path in zip(views, paths, strict=True)
    )
