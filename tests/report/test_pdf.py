"""The document on paper: the drawings have their colours, and nothing is asked of anybody."""

from __future__ import annotations

import re

import pytest

from tests.report.test_document import site
from toprung.forecast.forecast import forecast
from toprung.report.document import Matter, document
from toprung.report.pdf import pdf, styled

DRAWING = re.compile(r'<svg [^>]*class="(?:ladder|site)"[^>]*><style>(.*?)</style>', re.DOTALL)


@pytest.fixture(scope="module")
def text():
    return document(Matter(forecast(site(3), simulate=False), None))


def test_each_drawing_carries_its_rules(text):
    rules = DRAWING.findall(styled(text))
    assert len(rules) == 2
    for rule in rules:
        assert "var(" not in rule
        assert ".ladder .rope { stroke: #1f6f78" in rule
        assert "font: " not in rule


def test_the_pages_are_a_pdf(text):
    made = pdf(text)
    assert made.startswith(b"%PDF-")
    assert made == pdf(text)


def test_nothing_is_fetched(text, caplog):
    pdf(text.replace("<main>", '<main><img src="http://127.0.0.1:9/x.png">'))
    assert "the document asks for http://127.0.0.1:9/x.png" in caplog.text
