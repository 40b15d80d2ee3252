"""From capture files to what was observed: the pipeline behind `read` and `draft --from`."""

from __future__ import annotations

import os
from collections.abc import Sequence

from toprung.cli.inputs import CaptureWord
from toprung.cli.progress import Progress
from toprung.diagnose import diagnose
from toprung.live.files import open_capture
from toprung.model.picture import Picture
from toprung.model.site import Site
from toprung.observe.drafting import draft
from toprung.observe.look import look
from toprung.observe.whoiswho import recognise
from toprung.pictures.observed import Observed


def picture_of(captures: Sequence[CaptureWord]) -> Picture:
    """Everything that the captures show."""
    shown = [Progress(c.path, _size(c.path)) for c in captures]
    scans = [
        (capture.machine, open_capture(capture.path, progress=progress))
        for capture, progress in zip(captures, shown, strict=True)
    ]
    try:
        return look(scans)
    finally:
        for progress in shown:
            progress.clear()


def observe(site: Site | None, captures: Sequence[CaptureWord]) -> Observed:
    """The captures judged against the site, or by themselves."""
    picture = picture_of(captures)
    judged = draft(picture) if site is None else site
    cast = recognise(judged, picture)
    diagnosis = diagnose(judged, picture, cast)
    return Observed(judged, site is not None, picture, cast, diagnosis.ladder, diagnosis.findings)


def _size(path: str) -> int:
    try:
        return os.path.getsize(path)
    except OSError:
        return 0
