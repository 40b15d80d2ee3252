"""The document's text: what is in it, and what cannot get into it."""

from __future__ import annotations

import pytest

from toprung.forecast.forecast import forecast
from toprung.model.site_file import load_site
from toprung.report.document import FLOWS_A_DRAWING, Matter, document

SITE = """\
site: "<script>alert(1)</script>"
machines:
  "<b>base": {interfaces: {usb0: 10.77.1.2/24}}
  brain: {interfaces: {usb0: 10.77.1.1/24}}
links:
  "cable&co": {kind: usb, joins: ["<b>base.usb0", brain.usb0]}
participants:
  driver: {machine: "<b>base"}
  pilot: {machine: brain}
topics:
"""


def site(topics: int):
    lines = (f'  "<img>{n}": {{from: driver, to: pilot, rate: 10 Hz, size: 48 B}}\n' for n in range(topics))
    return load_site(SITE + "".join(lines))


def test_names_cannot_break_the_document():
    text = document(Matter(forecast(site(2), simulate=False), None, (("<i>.yaml", "00"),)))
    for tag in ("<script", "<img", "<b>base", "<i>"):
        assert tag not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text


def test_many_flows_are_drawn_sixty_at_a_time():
    text = document(Matter(forecast(site(130), simulate=False), None))
    assert text.count('class="ladder"') == -(-130 // FLOWS_A_DRAWING)
    assert text.count("&lt;img&gt;129") >= 2


def test_a_document_about_nothing_is_a_mistake():
    with pytest.raises(ValueError, match="a forecast, a capture, or both"):
        document(Matter(None, None))
