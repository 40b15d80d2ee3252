"""What is made of a rehearsal: flows counted, faults judged, links told, as text and as JSON."""

from __future__ import annotations

import json
from importlib.resources import as_file, files

import pytest

from toprung.forecast.forecast import forecast
from toprung.live.reading import CaptureWord, observe
from toprung.model.site_file import load_site
from toprung.pictures.rehearsal_text import rehearsal_json, rehearsal_text, running_text
from toprung.pictures.text import Style
from toprung.rehearse.faults import parse_fault
from toprung.rehearse.result import Carried, Counted, Rehearsed, Verdict, carried, counted, judged

COUNTS = {
    "driver": {
        "sent": {"cart1/odom": 500},
        "received": {"cart1/drive": 190},
        "matched": {},
        "incompatible": {},
    },
    "pilot": {"sent": {"cart1/drive": 200}, "received": {"cart1/odom": 0}, "matched": {}, "incompatible": {}},
}
TALLY = {"arrived": 90, "lost": 7, "full": 2, "ruled": 1, "busy_s": 0.5}


@pytest.fixture(scope="module")
def site():
    return load_site((files("toprung.examples") / "fernhouse" / "site.yaml").read_bytes(), "site.yaml")


@pytest.fixture(scope="module")
def observed(site):
    """The packaged captures: the base offers odometry best effort, the desk reads cart1/Scan, pictures are
    written too rarely.
    """
    with as_file(files("toprung.examples") / "fernhouse") as folder:
        return observe(
            site, [CaptureWord(m, str(folder / f"{m}.pcap.gz")) for m in ("base", "brain", "desk")]
        )


def test_flows_have_what_their_ends_counted(site):
    flows = {str(c.flow): (c.sent, c.received) for c in counted(site, COUNTS)}
    assert flows["cart1/odom driver -> pilot"] == (500, 0)
    assert flows["cart1/drive pilot -> driver"] == (200, 190)
    assert flows["cart1/goal panel -> pilot"] == (0, 0)
    assert len(flows) == len(site.flows())


@pytest.mark.parametrize(
    ("words", "verdict"),
    [
        ("reliability-mismatch:cart1/odom", Verdict.NAMED),
        ("partition-mismatch:cart1/odom", Verdict.OTHERWISE),
        ("partition-mismatch:cart1/drive", Verdict.UNSEEN),
    ],
)
def test_a_fault_is_named_or_not(site, observed, words, verdict):
    (told,) = judged([parse_fault(words, site)], observed)
    assert (told.words, told.verdict) == (words, verdict)
    assert (verdict is Verdict.UNSEEN) == (told.found == ())


def test_air_has_a_share_of_its_time_and_cables_have_none(site):
    cable, air = carried(site, {"cable": TALLY, "air": TALLY, "elsewhere": TALLY}, 10.0)
    assert air == Carried("air", 90, 7, 2, 1, 0.05)
    assert cable.busy is None
    assert carried(site, {"air": TALLY}, 0.0)[0].busy is None


@pytest.fixture(scope="module")
def rehearsed(site, observed):
    faults = judged([parse_fault("reliability-mismatch:cart1/odom", site)], observed)
    links = carried(site, {"cable": TALLY, "air": TALLY}, 10.0)
    return Rehearsed(observed, forecast(site, simulate=False), counted(site, COUNTS), links, faults)


def test_text_tells_all_of_it(rehearsed):
    text = rehearsal_text(rehearsed)
    assert "cart1/odom driver -> pilot      500         0" in text
    assert "reliability-mismatch:cart1/odom: named (qos-reliability)" in text
    assert "against what was seen" in text
    assert max(map(len, text.splitlines())) <= 100


def test_json_is_the_observation_and_more(rehearsed):
    told = json.loads(json.dumps(rehearsal_json(rehearsed)))
    assert told["kind"] == "observed"
    assert told["counted"][0] == {
        "topic": "cart1/odom",
        "from": "driver",
        "to": "pilot",
        "sent": 500,
        "received": 0,
    }
    assert told["carried"]["air"] == {"arrived": 90, "lost": 7, "full": 2, "ruled": 1, "busy": 0.05}
    assert told["faults"][0]["verdict"] == "named"
    assert told["forecast"]["kind"] == "forecast"


def test_a_small_screen_shows_what_is_broken_first(observed):
    text = running_text(observed, Style(wide=False), rows=6)
    lines = text.splitlines()
    assert len(lines) <= 6
    assert all("X" in line for line in lines[1:4])
    assert lines[-1].startswith("4 of 7 flows")


def test_counts_are_per_flow(site):
    assert Counted(site.flows()[0].flow, 500, 0) in counted(site, COUNTS)
