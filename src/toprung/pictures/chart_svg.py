"""A chart as a still picture, without a browser: for documents."""

from __future__ import annotations

import hashlib
import json
import re

import vl_convert

from toprung.pictures.charts import Spec


def chart_svg(spec: Spec) -> str:
    """The chart as an SVG element; the same chart always gives the same text."""
    svg: str = vl_convert.vegalite_to_svg(spec | {"background": "transparent"})
    # identifiers of one chart must not be those of another in the same document
    mark = "c" + hashlib.sha256(json.dumps(spec, sort_keys=True).encode()).hexdigest()[:8]
    return re.sub(r'(\bid="|url\(#|href="#)', rf"\1{mark}-", svg)
