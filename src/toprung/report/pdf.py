"""The document as PDF.  The same document gives the same bytes: no date and no random identifier is in it."""

from __future__ import annotations

import hashlib
from typing import Any

import weasyprint  # type: ignore[import-untyped]

_PRINT = """
@page { size: A4; margin: 14mm 12mm }
@page { @bottom-right { content: counter(page) " / " counter(pages); font-size: 9pt } }
html { color-scheme: light }
body { font-size: 10pt }
svg.ladder, svg.site, .chart svg { max-width: 100% !important; height: auto }
th, td { white-space: normal; font-size: 8pt }
details { display: none }
"""


def pdf(html: str) -> bytes:
    """The pages.  Nothing is fetched: a document carries all that it needs."""
    identifier = hashlib.sha256(html.encode()).digest()[:16]
    made: bytes = weasyprint.HTML(string=html, url_fetcher=_nothing).write_pdf(
        stylesheets=[weasyprint.CSS(string=_PRINT)], pdf_identifier=identifier
    )
    return made


def _nothing(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"the document asks for {url}")
