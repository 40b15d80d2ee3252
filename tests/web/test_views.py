"""Every view answers, whatever lies on the bench."""

from __future__ import annotations

import html
import os
import socket
import time

import pytest

from tests.web.conftest import EXAMPLE, asking, read_to_the_end
from toprung.web.page import VIEWS

KEYS = [view.key for view in VIEWS]


@pytest.mark.parametrize("key", KEYS)
def test_an_empty_bench_says_what_is_needed(key, empty):
    answer = asking(empty).get(f"/{key}")
    assert answer.status_code == 200
    assert "<h1" in answer.text


@pytest.mark.parametrize("key", KEYS)
def test_a_full_bench(key, bench):
    answer = asking(bench).get(f"/{key}")
    assert answer.status_code == 200
    assert "fernhouse, as captured: 4 of 7 flows on their top rung, 3 broken." in answer.text
    assert f'href="/{key}" aria-current="page"' in answer.text


def test_the_root_leads_to_the_site(empty):
    answer = asking(empty).get("/", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/site")


def test_a_faulty_site_is_told_at_its_line_and_changes_nothing(bench):
    page, text = asking(bench), bench.text.replace("rate: 50 Hz", "rate: 50")
    line = text[: text.index("rate: 50\n")].count("\n") + 1
    told = page.post("/site/check", data={"text": text}).text
    assert f'data-line="{line}"' in told
    assert "50 has no unit" in told
    answer = page.post("/site", data={"text": text})
    assert "50 has no unit" in answer.text
    assert "rate: 50 Hz" in bench.text


def test_a_sound_site_is_taken_and_the_captures_read_against_it(bench):
    page = asking(bench)
    text = bench.text.replace("rate: 5 Hz", "rate: 2 Hz")  # what the camera really does
    assert page.post("/site", data={"text": text}).status_code == 200
    read_to_the_end(bench)
    assert "2 broken" in page.get("/ladder").text


@pytest.mark.parametrize("part", ["machine/base", "link/air"])
def test_a_part_has_its_tables(part, bench):
    answer = asking(bench).get(f"/site/part/{part}")
    assert answer.status_code == 200
    assert "<table>" in answer.text


@pytest.mark.parametrize("part", ["machine/nowhere", "nothing/base", "machine/../../etc/passwd"])
def test_an_unknown_part_is_not_there(part, bench):
    assert asking(bench).get(f"/site/part/{part}").status_code == 404


@pytest.mark.parametrize("name", ["..%2f..%2fpage.py", "nothing.js", "licenses", "%2e%2e", "page.py"])
def test_only_packaged_files_can_be_had(name, bench):
    assert asking(bench).get(f"/static/{name}").status_code == 404


def test_the_flow_that_is_asked_for_shows_its_evidence(bench):
    text = html.unescape(asking(bench).get("/ladder?flow=0").text)
    assert "driver offers reliability best_effort, pilot requests reliable." in text
    assert "base.pcap.gz · packet 18" in text
    assert "Let driver offer reliable" in text


def test_flows_can_be_filtered(bench):
    page = asking(bench)
    assert "3 of 7 flows" in page.get("/ladder?rung=broken").text
    assert "1 of 7 flows" in page.get("/ladder?rung=flowing").text
    assert "No flow is like that." in page.get("/ladder?rung=path").text


def test_a_capture_is_taken_named_read_and_taken_away(empty):
    page = asking(empty)
    empty.put_site((EXAMPLE / "site.yaml").read_text())
    body = (EXAMPLE / "base.pcap.gz").read_bytes()
    answer = page.put("/captures?name=base.pcap.gz", content=body)
    assert answer.status_code == 200
    read_to_the_end(empty)
    held = empty.captures[0]
    assert held.machine == "base"
    assert empty.observed is not None
    assert page.post(f"/captures/{held.key}/machine", data={"machine": "desk"}).status_code == 200
    assert empty.captures[0].machine == "desk"
    assert page.delete(f"/captures/{held.key}").status_code == 200
    assert empty.captures == ()
    assert not held.path.exists()


def test_what_is_no_capture_is_told(empty):
    page = asking(empty)
    assert page.put("/captures?name=note.pcap", content=b"").status_code == 422
    page.put("/captures?name=note.pcap", content=b"this is no capture at all, only words " * 20)
    read_to_the_end(empty)
    assert empty.observed is None
    assert empty.reading.fault
    assert html.escape(empty.reading.fault, quote=False)[:40] in page.get("/captures").text


def test_names_cannot_break_the_page(empty):
    page = asking(empty)
    page.put(
        "/captures?name=%3Cscript%3Ealert(1)%3C/script%3E", content=(EXAMPLE / "base.pcap.gz").read_bytes()
    )
    assert "<script>alert" not in page.get("/captures").text


def test_an_error_of_ours_is_one_line(bench):
    answer = asking(bench).post("/site", content=b"text=" + b"x" * 5_000_000)
    assert answer.status_code == 422
    assert "Traceback" not in answer.text


def test_the_report_is_under_a_policy_of_its_own(bench):
    answer = asking(bench).get("/report/document")
    assert "script" not in answer.headers["content-security-policy"]
    assert "<script" not in answer.text
    assert "SHA-256" in answer.text


def test_listening_is_asked_for_by_name_only(empty):
    answer = asking(empty).post("/live/start", data={"interface": "../../dev/mem"})
    assert answer.status_code == 422
    assert "no such interface" in answer.text
    assert empty.hearing is None


@pytest.mark.skipif(os.geteuid() != 0, reason="listening needs CAP_NET_RAW")
def test_what_is_heard_becomes_a_capture(empty):
    page = asking(empty)
    assert "Listening on" in page.post("/live/start", data={"interface": "lo"}).text
    heartbeat = bytes.fromhex("52545053020301100102030405060708090a0b0c07011c00") + bytes(28)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        end = time.monotonic() + 10
        while empty.hearing.look is None or not empty.hearing.look.packets:
            assert time.monotonic() < end, "nothing is heard"
            sender.sendto(heartbeat, ("127.0.0.1", 7410))
            time.sleep(0.2)
    assert "Listened on" in page.post("/live/stop").text
    assert [c.name for c in empty.captures] == ["heard on lo"]
    read_to_the_end(empty)
    assert empty.observed.picture.views[0].datagrams


@pytest.mark.parametrize("key", ["loops", "whatif", "report/document"])
def test_speeds_and_distances_come_with_the_caution(key, bench):
    assert "a qualified person" in html.unescape(asking(bench).get(f"/{key}").text)
