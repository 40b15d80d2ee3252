"""The site drawn: every part is there, inside the frame, and says its figures in words."""

from __future__ import annotations

from importlib.resources import files
from xml.etree import ElementTree

import pytest

from toprung.model.site_file import load_site
from toprung.pictures.site_svg import THICK_PX, THIN_PX, Marks, site_svg

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def site():
    return load_site(files("toprung.examples").joinpath("fernhouse", "site.yaml").read_bytes())


def drawn(site, marks=None):
    return ElementTree.fromstring(site_svg(site, marks))


def test_every_part_can_be_reached(site):
    links = [a.get("href") for a in drawn(site).iter(f"{SVG}a")]
    assert links == [*(f"#machine-{m.name}" for m in site.machines), *(f"#link-{x.name}" for x in site.links)]


def test_a_rail_joins_what_its_link_joins(site):
    root = drawn(site)
    for group, link in zip(root.findall(f"{SVG}a")[len(site.machines) :], site.links, strict=True):
        assert len(group.findall(f"{SVG}circle")) == len(link.joins)
        rail = group.find(f"{SVG}line")
        for clamp in group.findall(f"{SVG}circle"):
            assert float(rail.get("x1")) < float(clamp.get("cx")) < float(rail.get("x2"))


def test_a_busy_link_is_thick_and_says_so(site):
    air = site.links[-1].name
    root = drawn(site, Marks(busy={air: 1.2}, link_words={air: "nothing left"}))
    group = next(a for a in root.iter(f"{SVG}a") if a.get("href") == f"#link-{air}")
    assert float(group.find(f"{SVG}line").get("stroke-width")) == THICK_PX
    assert "over" in group.get("class")
    assert "nothing left" in group.get("aria-label")
    idle = next(a for a in drawn(site).iter(f"{SVG}a") if a.get("href") == f"#link-{air}")
    assert float(idle.find(f"{SVG}line").get("stroke-width")) == THIN_PX


def test_a_full_budget_fills_its_gauge_and_no_more(site):
    root = drawn(site, Marks(use={"base": 1.5}))
    group = next(a for a in root.iter(f"{SVG}a") if a.get("href") == "#machine-base")
    widths = {e.get("class"): float(e.get("width")) for e in group.iter(f"{SVG}rect")}
    assert widths["used"] == widths["gauge"]
    assert "150%" in "".join(group.itertext())


def test_everything_lies_within_the_frame(site):
    root = drawn(site, Marks(link_words={link.name: "many words " * 9 for link in site.links}))
    _, _, width, height = map(float, root.get("viewBox").split())
    for element in root.iter():
        for key, limit in (("x", width), ("x2", width), ("cx", width), ("y", height), ("cy", height)):
            if element.get(key) is not None:
                assert 0 <= float(element.get(key)) <= limit


def test_a_name_cannot_break_the_drawing():
    site = load_site('site: s\nmachines: {"<b>": {interfaces: {e: 10.0.0.1/24}}}\n')
    assert "&lt;b&gt;" in site_svg(site)
