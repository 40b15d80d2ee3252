"""toprung forecast: text, JSON, comparisons and exit status."""

import json
from importlib.resources import files
from pathlib import Path

import pytest

from toprung.model.ladder import RUNGS

EXAMPLE = Path(str(files("toprung.examples"))) / "fernhouse"


@pytest.fixture
def other_path(site_path, tmp_path):
    """The packaged site with the base in another subnet."""
    path = tmp_path / "apart.yaml"
    path.write_text(Path(site_path).read_text().replace("10.77.1.2/24", "10.77.9.2/24"))
    return str(path)


@pytest.fixture
def seen_path(toprung, site_path, captures, tmp_path):
    path = tmp_path / "seen.json"
    path.write_text(toprung("read", site_path, *captures, "--json")[1])
    return str(path)


def test_the_example_is_forecast_to_the_top(toprung, site_path):
    status, out, err = toprung("forecast", site_path)
    assert (status, err) == (0, "")
    assert out.startswith("fernhouse, domain 7, as forecast: 3 machines, 2 links, 4 participants, 7 flows\n")
    assert out.endswith("7 of 7 flows on their top rung.\n")
    assert max(map(len, out.splitlines())) <= 100


def test_in_short_it_is_the_ladder_and_its_findings(toprung, other_path):
    whole, short = (toprung("forecast", other_path, *more)[1] for more in ((), ("--short",)))
    assert "1. stops: no-route" in short
    assert "Links" in whole
    assert "Links" not in short
    assert whole.splitlines()[-1] == short.splitlines()[-1]


def test_a_fault_is_a_finding_and_status_1(toprung, other_path):
    status, out, err = toprung("forecast", other_path)
    assert (status, err) == (1, "")
    assert "1. stops: no-route (path), base <-> brain" in out


def test_json_has_the_keys_of_a_reading_and_more(toprung, site_path, captures):
    seen = json.loads(toprung("read", site_path, *captures, "--json")[1])
    status, out, _ = toprung("forecast", site_path, "--json")
    told = json.loads(out)
    assert status == 0
    assert list(told) == [*seen, "assumptions", "unseen"]
    assert told["kind"] == "forecast"
    assert [list(flow) for flow in told["flows"]] == [list(flow) for flow in seen["flows"]]
    assert list(told["flows"][0]["rungs"]) == [str(rung) for rung in RUNGS]
    for part in ("machines", "links", "loops", "power"):
        assert {name: list(entry) for name, entry in told[part].items()} == {
            name: list(entry) for name, entry in seen[part].items()
        }


def test_numbers_in_json_are_finite(toprung, site_path, tmp_path):
    slow = tmp_path / "slow.yaml"
    text = Path(site_path).read_text()
    slow.write_text(text.replace("rate: 65 Mbit/s", "rate: 1 Mbit/s").replace("200 Mbit/s", "100 kbit/s"))
    status, out, _ = toprung("forecast", str(slow), "--json")

    def refuse(word):
        raise AssertionError(word)

    told = json.loads(out, parse_constant=refuse)
    assert status == 1
    assert "link-full" in {f["code"] for f in told["findings"]}


def test_against_what_was_seen(toprung, site_path, seen_path):
    status, out, _ = toprung("forecast", site_path, "--against", seen_path)
    assert status == 0
    assert out.startswith("fernhouse: what was forecast against what was seen\n")
    assert "matched: qos-reliability" in out
    assert "4 flows came out as forecast, 3 otherwise." in out
    assert max(map(len, out.splitlines())) <= 100
    told = json.loads(toprung("forecast", site_path, "--against", seen_path, "--json")[1])
    assert (told["kind"], told["kinds"]) == ("comparison", ["forecast", "observed"])
    assert {row["part"] for row in told["figures"]} >= {"machine", "link", "flow"}


def test_two_sites_side_by_side(toprung, site_path, other_path):
    status, out, _ = toprung("forecast", site_path, "--compare", other_path)
    assert status == 1
    assert out.startswith("site.yaml against apart.yaml\n")
    assert "path: no-route" in out
    assert "stops: no-route, base <-> brain" in out
    assert toprung("forecast", other_path, "--compare", site_path)[0] == 0


def test_the_simulation_can_be_left_out(toprung, site_path):
    told = json.loads(toprung("forecast", site_path, "--no-simulation", "--json")[1])
    assert told["machines"]["base"]["introduced_after_s"] == {"p50": None, "p95": None}
    assert told["machines"]["base"]["discovery"]["datagrams_in"] > 0


def test_the_simulation_repeats_itself(toprung, site_path):
    once = toprung("forecast", site_path, "--seeds", "2", "--json")
    assert once == toprung("forecast", site_path, "--seeds", "2", "--json")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("nowhere.yaml",), "nowhere.yaml: no such file or directory"),
        (("SITE", "--against", "nowhere.json"), "nowhere.json: no such file or directory"),
        (("SITE", "--against", "SITE"), "site.yaml: this is no JSON"),
        (("SITE", "--compare", "nowhere.yaml"), "nowhere.yaml: no such file or directory"),
        (("SITE", "--seeds", "0"), "--seeds 0: that is no number of runs"),
    ],
)
def test_bad_input_is_one_line(toprung, site_path, words, says):
    status, out, err = toprung("forecast", *(site_path if word == "SITE" else word for word in words))
    assert (status, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1


def test_a_fleet_that_drowns_its_bases_is_told_what_helps(toprung):
    status, out, _ = toprung("forecast", str(EXAMPLE / "fleet.yaml"))
    assert status == 1
    text = " ".join(out.split())
    assert "discovery-overload" in text
    assert "base1 is the limit: 19 participants against a budget of 12" in text
    assert "central server" in text


def test_a_central_server_cures_it(toprung, tmp_path):
    text = (EXAMPLE / "fleet.yaml").read_text()
    served = tmp_path / "served.yaml"
    served.write_text(
        text.replace("middleware: fast}", "middleware: fast, discovery: {server: 10.77.2.100:11811}}")
    )
    status, out, _ = toprung("forecast", str(EXAMPLE / "fleet.yaml"), "--compare", str(served))
    assert status == 0
    assert "No more" in out
    assert "stops: discovery-overload, base1" in out


def test_a_comparison_of_distances_is_cautioned(toprung, site_path, seen_path):
    _, out, _ = toprung("forecast", site_path, "--against", seen_path)
    assert "way after commands are lost" in out
    assert "Caution: Speeds and distances" in out


def test_a_site_against_itself_changes_nothing(toprung, site_path):
    status, out, _ = toprung("forecast", site_path, "--compare", site_path)
    assert status == 0
    assert "Nothing changes." in out
    assert "Caution" not in out
