"""Real Cyclone DDS and Fast DDS in a rehearsal: what it must find, what it must not, and true links."""

from __future__ import annotations

import json
from importlib.resources import as_file, files

import pytest
from scipy.stats import binom

from toprung.cli.main import main
from toprung.live.reading import observe
from toprung.model.finding import Severity
from toprung.model.ladder import Rung
from toprung.model.site_file import load_site
from toprung.pictures.figures import figures_of
from toprung.rehearse.plan import plan_of
from toprung.rehearse.result import counted
from toprung.rehearse.run import Rehearsal
from toprung.rehearse.specs import Begin, End, Event

pytestmark = pytest.mark.usefixtures("rehearsing")


@pytest.fixture(scope="session")
def fernhouse():
    with as_file(files("toprung.examples") / "fernhouse" / "site.yaml") as path:
        yield path


def rehearse(plan, site):
    """The observation, the peers' counts by flow, the links' tallies."""
    with Rehearsal(plan) as rehearsal:
        while not rehearsal.wait():
            pass
        observed = observe(site, rehearsal.words())
    return observed, {str(c.flow): c for c in counted(site, rehearsal.counts())}, rehearsal.links


def found(observed):
    return {f.code for f in observed.findings if f.severity is not Severity.NOTE}


@pytest.mark.parametrize("peers", ["cyclone", "fast"])
def test_a_sound_fernhouse_has_no_finding(fernhouse, peers, capsys):
    assert main(["rehearse", str(fernhouse), "--for", "6s", "--peers", peers, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["findings"] == []
    assert {f["broken_at"] for f in told["flows"]} == {None}
    assert told["forecast"]["kind"] == "forecast"
    for flow in told["counted"]:
        assert flow["received"] > 0, flow
        assert flow["received"] >= 0.8 * flow["sent"] - 2, flow  # discovery takes its time first


def test_what_was_done_is_named_and_kept(fernhouse, tmp_path, capsys):
    words = ["--fault", "reliability-mismatch:cart1/odom", "--fault", "multicast-dropped:air"]
    kept = tmp_path / "kept"
    assert main(["rehearse", str(fernhouse), "--for", "6s", *words, "--keep", str(kept)]) == 1
    text = capsys.readouterr().out
    assert "reliability-mismatch:cart1/odom: named" in text
    assert "multicast-dropped:air: named" in text
    assert max(map(len, text.splitlines())) <= 100
    captures = [f"{m}={kept / m}.pcapng" for m in ("base", "brain", "desk")]
    assert main(["read", str(kept / "site.yaml"), *captures, "--json"]) == 1
    again = json.loads(capsys.readouterr().out)
    assert {f["code"] for f in again["findings"]} == {"qos-reliability", "multicast-blocked"}
    counts = json.loads((kept / "counts.json").read_text())
    assert counts["panel"]["received"]["cart1/scan"] == 0


ROUTED = """
site: fernhouse
machines:
  base: {interfaces: {usb0: 10.77.1.2/24}}
  brain: {interfaces: {usb0: 10.77.1.1/24, wlan0: 10.77.2.21/24}, forwards: [unicast, multicast]}
  desk: {interfaces: {wlan0: 10.77.2.40/24}}
links:
  cable: {kind: usb, joins: [base.usb0, brain.usb0], rate: 20 Mbit/s, delay: 5 ms, loss: 4 %}
  air: {kind: wifi, joins: [brain.wlan0, desk.wlan0], standard: n, rate: 65 Mbit/s, access_point: true,
        delay: 20 ms}
participants: {driver: {machine: base}, pilot: {machine: brain}, panel: {machine: desk}}
topics:
  cart1/odom: {type: cart::Odometry, size: 720 B, rate: 100 Hz, from: driver, to: [pilot, panel],
               qos: {reliability: best_effort}, loss: 10 %}
  cart1/goal: {type: cart::Goal, size: 80 B, rate: 100 Hz, from: panel, to: driver,
               qos: {reliability: best_effort}, loss: 10 %}
"""


def test_links_are_as_declared():
    """Rate, delay and loss as the captures show them; a router passes unicast and multicast between them."""
    site = load_site(ROUTED, "site.yaml")
    observed, counts, links = rehearse(plan_of(site, seconds=8.0), site)
    assert found(observed) == set()
    measured = figures_of(observed).links
    frame_s = 8 * 900 / 20e6
    assert 0.005 <= measured["cable"].delay_s <= 0.005 + frame_s + 0.004  # the rest: two busy cores
    assert 0.020 <= measured["air"].delay_s <= 0.020 + 0.006
    assert measured["air"].loss == pytest.approx(0.0, abs=0.002)
    low, high = binom.ppf([1e-5, 1 - 1e-5], links["cable"]["offered"], 0.04)
    assert low <= links["cable"]["lost"] <= high
    assert measured["cable"].loss == pytest.approx(0.04, abs=0.02)
    for flow in counts.values():
        low, high = binom.ppf([1e-5, 1 - 1e-5], flow.sent, 0.04)
        assert flow.sent - flow.received <= high + 100, flow  # a second of discovery
        assert flow.received < flow.sent - low


SLOW = """
site: fernhouse
machines:
  base: {interfaces: {eth0: 10.77.1.2/24}, budget: {messages: 10 Hz}}
  brain: {interfaces: {eth0: 10.77.1.1/24}}
links: {cable: {kind: ethernet, joins: [base.eth0, brain.eth0]}}
participants: {driver: {machine: base}, pilot: {machine: brain}, eye: {machine: brain}}
topics:
  cart1/odom: {type: cart::Odometry, rate: 20 Hz, from: driver, to: pilot, within: 100 ms}
  cart1/drive: {type: cart::Drive, rate: 20 Hz, from: pilot, to: driver}
  cart1/light: {type: cart::Light, rate: 1 Hz, from: eye, to: driver}
"""


@pytest.mark.parametrize("budget", [4, 1000])
def test_a_budget_of_messages_slows_its_machine(budget):
    """Some twenty messages of discovery stop the driver for five seconds of six, or for next to nothing."""
    site = load_site(SLOW.replace("10 Hz}}", f"{budget} Hz}}}}"), "site.yaml")
    observed, counts, _ = rehearse(plan_of(site, seconds=6.0), site)
    handed = figures_of(observed).machines["base"].discovery.datagrams_in
    assert handed > 12
    samples = counts["cart1/odom driver -> pilot"].received
    if budget == 4:
        assert samples <= (6.0 - min(handed / budget, 5.0)) * 20 + 40  # a peer makes up for two seconds
    else:
        assert samples > 80


def test_a_wrong_clock_shows_in_captures_and_samples():
    site = load_site(SLOW.replace(", budget: {messages: 10 Hz}", ""), "site.yaml")
    plan = plan_of(site, seconds=6.0)
    plan.machines["base"].clock_s = 0.4
    observed, _, _ = rehearse(plan, site)
    assert "clock-offset" in {f.code for f in observed.findings}


def test_a_participant_that_cannot_begin_is_told():
    site = load_site(SLOW.replace(", budget: {messages: 10 Hz}", ""), "site.yaml")
    plan = plan_of(site, seconds=3.0, peers="cyclone")
    plan.peers["pilot"].interfaces = ["eth7"]
    with Rehearsal(plan) as rehearsal:
        rehearsal.wait()
    assert list(rehearsal.failures) == ["pilot"]


def test_participants_leave_and_come_back():
    site = load_site(SLOW.replace(", budget: {messages: 10 Hz}", ""), "site.yaml")
    plan = plan_of(site, seconds=7.0)
    plan.events += [Event(2.5, End("pilot", goodbye=True)), Event(3.5, Begin("pilot"))]
    observed, counts, _ = rehearse(plan, site)
    assert {c.broken_at for c in observed.ladder.climbs} == {None}
    drive = counts["cart1/drive pilot -> driver"]
    assert 70 <= drive.received <= drive.sent <= 130  # both lives counted


def test_a_server_introduces_its_clients():
    served = ROUTED.replace(
        "machine: base}", "machine: base, discovery: {server: '10.77.1.1:11811'}}"
    ).replace("machine: brain}", "machine: brain, discovery: {server: '10.77.1.1:11811'}}")
    served = served.replace("machine: desk}", "machine: desk, discovery: {server: '10.77.1.1:11811'}}")
    site = load_site(served.replace("loss: 4 %", "loss: 0 %"), "site.yaml")
    observed, counts, _ = rehearse(plan_of(site, seconds=7.0, peers="fast"), site)
    assert found(observed) == set()
    assert all(c.received > 0 for c in counts.values())
    assert all(climb.broken_at is not Rung.HEARD for climb in observed.ladder.climbs)


@pytest.mark.parametrize("peers", ["cyclone", "fast"])
def test_participants_that_are_told_to_leave_end_by_themselves(fernhouse, peers):
    """Killed after a while of patience, one could have kept its goodbye and its last counts to itself."""
    site = load_site(fernhouse.read_bytes(), "site.yaml")
    with Rehearsal(plan_of(site, seconds=3.0, peers=peers)) as rehearsal:
        rehearsal.wait()
    assert {peer.name: peer.process.returncode for peer in rehearsal.running()} == dict.fromkeys(
        ("driver", "pilot", "eye", "panel"), 0
    )
