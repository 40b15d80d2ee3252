"""A reading as text: the ladder, findings with their packets, machines, links, what cannot be seen."""

from __future__ import annotations

from toprung.diagnose.observed import Observed
from toprung.pictures.figures import link_words, machine_words
from toprung.pictures.summary import (
    capture_words,
    heading,
    stranger_heading,
    stranger_words,
    unseen_words,
    verdict,
)
from toprung.pictures.text import Style, findings, finished, indented, ladder, titled, wrapped


def ladder_text(observed: Observed, style: Style | None = None) -> str:
    """The whole reading; ends with a newline."""
    style = style or Style()
    captures = (line for v in observed.picture.views for line in indented(capture_words(v)))
    blocks = (
        wrapped(heading(observed)),
        ladder(observed.ladder.climbs, style),
        findings(observed, style),
        titled(stranger_heading(observed), stranger_words(observed)),
        titled("Machines", machine_words(observed)),
        titled("Links", link_words(observed)),
        titled("Not to be seen in these captures", unseen_words(observed)),
        titled("Captures", captures),
        wrapped(verdict(observed)),
    )
    return finished(blocks, style)
