"""The script that draws charts in the browser, bundled by the chart library once, without network."""

from __future__ import annotations

from functools import cache

import vl_convert

NAME = "charts.js"


@cache
def chart_script() -> bytes:
    """Vega, Vega-Lite and their embedding in one script.  Making it takes a second or two."""
    script: str = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;")
    return script.encode()
