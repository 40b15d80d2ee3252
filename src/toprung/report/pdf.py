"""The document as PDF.  The same document gives the same bytes: no date and no random identifier is in it."""

from __future__ import annotations

import hashlib
import re
from importlib.resources import files
from typing import Any

import weasyprint  # type: ignore[import-untyped]
from weasyprint.urls import URLFetcher  # type: ignore[import-untyped]

_PRINT = """
@page { size: A4; margin: 14mm 12mm }
@page { @bottom-right { content: counter(page) " / " counter(pages); font-size: 9pt } }
html { color-scheme: light }
body { font-size: 10pt }
svg.ladder, svg.site, .chart svg { max-width: 100% !important; height: auto }
th, td { white-space: normal; font-size: 7pt; padding: 1.5pt 3pt }
td.digest { font-size: 6pt }
details { display: none }
h2, h3 { break-after: avoid }
.caution { break-inside: avoid }
"""
_DRAWING = re.compile(r'<svg [^>]*class="(ladder|site)"[^>]*>')
_RULE = re.compile(r"^\.(?:ladder|site) .*$", re.MULTILINE)
_TONE = re.compile(r"(--[a-z]+): (#[0-9a-f]{6})")
_FONT = re.compile(r"font: (\d+px) [^;}]+")


def pdf(html: str) -> bytes:
    """The pages.  Nothing is fetched: a document carries all that it needs."""
    identifier = hashlib.sha256(html.encode()).digest()[:16]
    made: bytes = weasyprint.HTML(string=styled(html), url_fetcher=_Nobody()).write_pdf(
        stylesheets=[weasyprint.CSS(string=_PRINT)], pdf_identifier=identifier
    )
    return made


def styled(html: str) -> str:
    """The document with the drawings' rules inside each drawing: the printer looks for them there only, and
    knows neither variables nor the short form of a font in them.
    """
    sheet = files("toprung.pictures").joinpath("page.css").read_text(encoding="utf-8")
    tones = dict(_TONE.findall(sheet.partition("@media")[0]))  # those of light paper
    rules = "\n".join(_RULE.findall(sheet))
    rules = re.sub(r"var\((--[a-z]+)\)", lambda name: tones[name[1]], rules)
    rules = _FONT.sub(r"font-size: \1; font-family: sans-serif", rules)
    rules += "\n.site .said { stroke: none }"  # its halo would be painted over it
    return _DRAWING.sub(lambda opening: f"{opening[0]}<style>{rules}</style>", html)


class _Nobody(URLFetcher):  # type: ignore[misc]
    """Refuses to ask anybody for anything."""

    def fetch(self, url: str, *_: Any, **__: Any) -> Any:
        raise ValueError(f"the document asks for {url}")
