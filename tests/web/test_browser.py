"""What a person does on the page, in a real browser."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest

from tests.web.browsing import browser, need_browser, opened, photograph, served
from tests.web.conftest import EXAMPLE, laid_out, read_to_the_end
from toprung.web.bench import Bench
from toprung.web.page import VIEWS

SERIOUS = ("serious", "critical")
WINDOWS = {"wide": (1280, 860, False), "dark": (1280, 860, True), "phone": (390, 844, False)}


@pytest.fixture(scope="module")
def chromium():
    need_browser()
    with browser() as started:
        yield started


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The packaged example, served."""
    bench = laid_out(tmp_path_factory.mktemp("page"))
    with served(bench) as address:
        yield address
    bench.close()


@pytest.fixture
def own(tmp_path):
    """A bench that a test may change, and its address."""
    bench = Bench(tmp_path / "page")
    with served(bench) as address:
        yield bench, address
    bench.close()


def settled(page) -> None:
    """Charts are drawn by the bundled script after the page has come."""
    page.wait_for_load_state("load")
    page.wait_for_function(
        "() => [...document.querySelectorAll('[data-chart]')].every(e => e.querySelector('svg'))"
    )


@pytest.mark.parametrize("view", [view.key for view in VIEWS])
@pytest.mark.parametrize("window", WINDOWS)
def test_every_view_is_clean(view, window, chromium, demo):
    """No complaint of the console, no request elsewhere, nothing wider than the window; axe-core, which
    checks WCAG 2.1 A and AA, finds nothing serious.
    """
    width, height, dark = WINDOWS[window]
    page, complaints = opened(chromium, demo, width=width, height=height, dark=dark)
    page.goto(f"{demo}/{view}")
    settled(page)
    if view == "report":
        page.frame_locator("iframe").locator("h1").wait_for()
    assert complaints.console == []
    assert complaints.elsewhere == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth + 1")
    assert [v for v in violations(page) if v["impact"] in SERIOUS] == []
    if window == "wide" or view == "ladder":
        photograph(page, view if window == "wide" else f"{view}-{window}")
    page.close()


def violations(page) -> list[dict]:
    """What axe-core, bundled by a package of the registry, says of the page."""
    source = files("axe_playwright_python").joinpath("axe.min.js").read_text()
    page.evaluate(source)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
    return [
        {"id": v["id"], "impact": v["impact"], "where": [n["target"] for n in v["nodes"]][:3]} for v in found
    ]


def test_a_broken_flow_opens_its_evidence(chromium, demo):
    page, _ = opened(chromium, demo)
    page.goto(f"{demo}/ladder")
    page.get_by_role("link", name="cart1/odom driver -> pilot").locator(".grip").click()
    aside = page.locator("#chosen")
    aside.get_by_text("driver offers reliability best_effort, pilot requests reliable.").wait_for()
    assert "base.pcap.gz · packet 18" in aside.inner_text()
    page.close()


def test_a_filter_keeps_what_is_asked_for(chromium, demo):
    page, _ = opened(chromium, demo)
    page.goto(f"{demo}/ladder")
    page.get_by_label("rung").select_option("broken")
    page.get_by_text("3 of 7 flows").wait_for()
    assert "rung=broken" in page.url
    page.close()


def test_the_keyboard_reaches_view_and_flow(chromium, demo):
    page, _ = opened(chromium, demo)
    page.goto(f"{demo}/ladder")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the view"
    page.keyboard.press("Enter")
    for _ in range(40):
        page.keyboard.press("Tab")
        if "cart1/odom" in (page.evaluate("document.activeElement.getAttribute('aria-label')") or ""):
            break
    page.keyboard.press("Enter")
    page.locator("#chosen h2").get_by_text("cart1/odom driver -> pilot").wait_for()
    page.close()


def test_a_capture_is_sent_and_read(chromium, own):
    bench, address = own
    bench.put_site((EXAMPLE / "site.yaml").read_text())
    page, complaints = opened(chromium, address)
    page.goto(f"{address}/ladder")
    page.locator("#capture-file").set_input_files(
        [EXAMPLE / "base.pcap.gz", EXAMPLE / "brain.pcap.gz", EXAMPLE / "desk.pcap.gz"]
    )
    page.get_by_text("4 of 7 flows on their top rung, 3 broken.").wait_for()
    assert [c.machine for c in bench.captures] == ["base", "brain", "desk"]
    page.get_by_role("button", name="take desk.pcap.gz away").click()
    page.get_by_role("button", name="take desk.pcap.gz away").wait_for(state="detached")
    read_to_the_end(bench)
    assert len(bench.captures) == 2
    assert complaints.console == []
    page.close()


def test_a_fault_in_the_file_is_told_while_typing(chromium, own):
    bench, address = own
    bench.put_site((EXAMPLE / "site.yaml").read_text())
    page, _ = opened(chromium, address)
    page.goto(f"{address}/site")
    page.locator("#site-text").fill(bench.text.replace("rate: 50 Hz", "rate: 50"))
    told = page.locator("#faults button")
    told.wait_for()
    told.click()
    assert "rate: 50" in page.evaluate("getSelection().toString()")
    page.close()


def test_a_knob_cures_what_overloads_the_bases(chromium, own):
    """Six carts that look for each other by multicast are too much for the bases; a central server is not."""
    bench, address = own
    bench.put_site((EXAMPLE / "fleet.yaml").read_text())
    page, complaints = opened(chromium, address)
    page.goto(f"{address}/whatif")
    assert "discovery-overload" in page.locator("#effects").inner_text()
    page.get_by_label("discovery of all participants").select_option("central server")
    cured = page.locator("#effects tr", has_text="cart1/battery driver1 → panel").locator("td.better")
    cured.get_by_text("nowhere").wait_for()
    assert "What would still be wrong" not in page.locator("#effects").inner_text()
    photograph(page, "whatif")
    page.get_by_role("button", name="Take this site").click()
    page.locator("#standing", has_text="42 of 42 flows on their top rung").wait_for()
    assert complaints.console == []
    page.close()


def test_the_report_prints(chromium, demo, tmp_path: Path):
    page, _ = opened(chromium, demo)
    page.goto(f"{demo}/report/document")
    page.pdf(path=str(tmp_path / "report.pdf"), format="A4")
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")
    page.close()
