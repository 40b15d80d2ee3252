"""toprung read: text, JSON, HTML and status on the packaged example, three of whose flows are broken."""

import json
from pathlib import Path

import pytest

from toprung.model.ladder import RUNGS

BROKEN = "cart1/odom driver -> pilot"
CAUSES = {"cart1/odom": "qos-reliability", "cart1/scan": "topic-name", "cart1/picture": "rate-low"}


def test_the_broken_flow_is_named_with_its_reason_and_packets(toprung, site_path, captures):
    status, out, err = toprung("read", site_path, *captures)
    assert (status, err) == (1, "")
    ladder = next(line for line in out.splitlines() if line.startswith("cart1/odom"))
    assert ladder.endswith("✗ qos-reliability")
    assert f"1. stops: qos-reliability (matched), {BROKEN}" in out
    assert "base.pcap.gz packet" in out
    assert out.splitlines()[0].startswith("fernhouse, domain 7: 3 captures, ")


def test_no_line_is_wider_than_a_hundred_columns(toprung, site_path, captures):
    _, out, _ = toprung("read", site_path, *captures)
    assert max(map(len, out.splitlines())) <= 100


def test_order_and_names_of_files_do_not_matter(toprung, site_path, captures, tmp_path):
    renamed = tmp_path / "capture.txt"
    renamed.write_bytes(Path(captures[0].partition("=")[2]).read_bytes())
    site = tmp_path / "site.pcap"
    site.write_bytes(Path(site_path).read_bytes())
    first = toprung("read", f"base={renamed}", captures[1], str(site), captures[2])
    assert first[0] == 1
    assert "qos-reliability" in first[1]


def test_json_has_the_promised_keys(toprung, site_path, captures):
    status, out, _ = toprung("read", site_path, *captures, "--json")
    assert status == 1
    told = json.loads(out)
    keys = ["toprung", "kind", "site", "flows", "findings", "machines", "links", "loops", "power"]
    assert list(told) == keys
    assert (told["toprung"], told["kind"], told["site"]) == (1, "observed", "fernhouse")
    flow = next(f for f in told["flows"] if f["topic"] == "cart1/odom")
    keys = ["topic", "from", "to", "rungs", "broken_at", "cause", "findings"]
    assert list(flow) == [*keys, "introduced_after_s", "samples"]
    assert list(flow["samples"]) == ["rate_hz", "loss", "age_typical_s", "age_worst_s"]
    assert list(flow["rungs"]) == [str(r) for r in RUNGS]
    assert (flow["from"], flow["to"], flow["broken_at"], flow["cause"]) == (
        "driver",
        "pilot",
        "matched",
        "qos-reliability",
    )
    assert flow["rungs"]["flowing"] == flow["rungs"]["timely"] == "unreached"
    finding = told["findings"][flow["findings"][0]]
    assert list(finding) == ["code", "rung", "severity", "subject", "says", "effect", "evidence", "remedies"]
    assert list(finding["evidence"][0]) == ["capture", "packet", "time", "says"]
    assert {f["topic"]: f["cause"] for f in told["flows"] if f["cause"]} == CAUSES
    sound = [f for f in told["flows"] if f["cause"] is None]
    assert len(sound) == 4
    assert all(f["broken_at"] is None and f["findings"] == [] for f in sound)
    assert all(set(f["rungs"].values()) == {"held"} for f in sound)


def test_json_has_the_same_keys_for_every_machine_and_link(toprung, site_path, captures, tmp_path):
    site = tmp_path / "site.yaml"
    site.write_text(Path(site_path).read_text().replace("links:\n", "  lamp: {}\nlinks:\n"))
    told = json.loads(toprung("read", str(site), *captures, "--json")[1])
    assert list(told["machines"]) == ["base", "brain", "desk", "lamp"]
    shapes = {
        json.dumps([sorted(m), sorted(m["discovery"]), sorted(m["introduced_after_s"])])
        for m in told["machines"].values()
    }
    assert len(shapes) == 1
    assert told["machines"]["lamp"]["known_participants"] is None
    assert told["machines"]["base"]["discovery"]["datagrams_in"] > 0
    assert {tuple(link) for link in told["links"].values()} == {
        ("bytes_per_s", "air_time", "busy", "loss", "delay_s")
    }
    assert told["links"]["cable"]["bytes_per_s"] > 0
    assert told["links"]["air"]["air_time"] is None


def test_without_a_site_the_flows_that_were_seen_are_judged(toprung, captures):
    status, out, _ = toprung("read", *captures)
    assert status == 1
    assert out.startswith("no site given: the flows that were seen, domain 7: 3 captures")
    assert "qos-reliability" in out


@pytest.mark.parametrize("encoding", ["ascii", "utf-8"])
def test_symbols_fit_the_stream(encoding):
    import io

    from toprung.cli.output import style_of

    style = style_of(io.TextIOWrapper(io.BytesIO(), encoding=encoding))
    assert style.wide is (encoding == "utf-8")
    assert style.colour is False
