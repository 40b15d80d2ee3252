"""toprung report: the document, by its ending."""

from __future__ import annotations

import hashlib
import json
from html.parser import HTMLParser
from pathlib import Path

import pytest

from toprung.cli.main import main


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.attributes, self.open = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in ("meta", "path", "line", "rect", "circle", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        if self.open and self.open[-1] == tag:
            self.open.pop()


def test_the_document_stands_alone(toprung, site_path, captures, tmp_path):
    target = tmp_path / "fernhouse.html"
    status, out, _ = toprung("report", site_path, *captures, "-o", str(target))
    assert status == 1
    assert str(target) in out
    text = target.read_text(encoding="utf-8")
    parsed = _Page()
    parsed.feed(text)
    assert not {"script", "link", "img", "iframe"} & set(parsed.tags)
    assert not [a for a in parsed.attributes if a[0] == "src" or a[0].startswith("on")]
    assert [a[1] for a in parsed.attributes if a[0] == "href" and not a[1].startswith("#")] == []
    assert "@import" not in text
    for words in ("prefers-color-scheme: dark", "qos-reliability", "sign-off", "What was assumed"):
        assert words in text
    for path in (site_path, *(c.partition("=")[2] for c in captures)):
        assert hashlib.sha256(Path(path).read_bytes()).hexdigest() in text


@pytest.mark.parametrize("ending", ["html", "pdf"])
def test_the_same_inputs_give_the_same_bytes(ending, toprung, site_path, captures, tmp_path):
    made = [tmp_path / f"{n}.{ending}" for n in (1, 2)]
    for target in made:
        toprung("report", site_path, *captures, "-o", str(target))
    assert made[0].read_bytes() == made[1].read_bytes()
    assert made[0].read_bytes()[:5] in (b"<!DOC", b"%PDF-")


def test_a_site_alone_is_a_plan(toprung, site_path, tmp_path):
    target = tmp_path / "plan.html"
    status, out, _ = toprung("report", site_path, "-o", str(target), "--json")
    assert status in (0, 1)
    assert json.loads(out) == {"toprung": 1, "written": str(target), "bytes": target.stat().st_size}
    text = target.read_text(encoding="utf-8")
    assert "as forecast" in text
    assert "as captured" not in text.lower()


def test_a_capture_alone_is_what_was_seen(toprung, captures, tmp_path):
    target = tmp_path / "seen.html"
    assert toprung("report", *captures, "-o", str(target))[0] == 1
    assert "What was seen" in target.read_text(encoding="utf-8")


def test_another_ending_is_one_line(toprung, site_path, tmp_path):
    status, out, err = toprung("report", site_path, "-o", str(tmp_path / "report.doc"))
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "neither .html nor .pdf" in err


def test_a_file_that_cannot_be_written_is_one_line(toprung, site_path, tmp_path):
    status, out, err = toprung("report", site_path, "-o", str(tmp_path / "no" / "where.html"))
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "no such file or directory" in err


def test_without_an_output_the_usage_is_said(site_path, capsys):
    assert main(["report", site_path]) == 2
    assert "--output" in capsys.readouterr().err
