"""A late comer of our own makes real Cyclone DDS and Fast DDS participants introduce themselves again."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest
import yaml
from fernhouse import TARGET as EXAMPLE
from fernhouse import participants
from lab import Lab

from toprung.errors import LiveError
from toprung.live.join import NAME, joined, settings
from toprung.live.join_cost import cost_of
from toprung.live.reading import CaptureWord, picture_of
from toprung.model.site_file import load_site

HERE = Path(__file__).resolve().parent
DOMAIN = 7
LATE_S = 9.0  # by then everybody has met everybody, the slowest announcement included
WITHIN_S = 5.0
WINDOW_S = 8.0
HOSTS = {"base": "10.77.2.2", "brain": "10.77.2.1", "desk": "10.77.2.40", "laptop": "10.77.2.50"}


@pytest.fixture(scope="module")
def cart(tools, tmp_path_factory):
    """Three machines and a laptop on the air, and what the laptop captured: late, without and with a join."""
    with Lab(tmp_path_factory.mktemp("join"), tools) as lab:
        lab.air()
        for name, host in HOSTS.items():
            lab.join(lab.machine(name), "wlan0", f"{host}/24")
        for name, spec in participants().items():
            rest = {key: value for key, value in spec.items() if key != "machine"}
            lab.peer(lab.machines[spec["machine"]], {"name": name, "domain": DOMAIN, "seconds": 60.0, **rest})
        time.sleep(LATE_S)
        words = (sys.executable, str(HERE / "joining.py"), "wlan0", str(DOMAIN), str(WITHIN_S))
        for window in ("without", "with"):
            for name in HOSTS:
                lab.record(lab.machines[name], "wlan0", f"{name}.{window}")
            joining = lab.start(lab.machines["laptop"], *words, log="join.log") if window == "with" else None
            time.sleep(WINDOW_S)  # the recorders hand over their last packets within a second
            lab.stop_recording()
        assert joining.wait(10) == 0, (lab.folder / "join.log").read_text()
        prefix, left = (lab.folder / "join.log").read_text().split()
        assert left == "left"
        yield lab.folder, bytes.fromhex(prefix)


def captured(folder, window, machine="laptop"):
    return picture_of([CaptureWord(machine, str(folder / f"{machine}.{window}.pcap"))])


def topics(picture, name):
    """(side, topic) of one participant, and the greatest time (s) until one of them was introduced."""
    index = next(i for i, p in enumerate(picture.participants) if p.name == name)
    ends = [e for e in picture.endpoints if e.participant == index and e.topic is not None]
    first = picture.views[0].first_ns
    return {(str(e.side), e.topic) for e in ends}, max((e.introduced[0].time_ns - first) / 1e9 for e in ends)


def test_who_listens_late_sees_no_topic(cart):
    picture = captured(cart[0], "without")
    assert picture.participants
    assert {p.name for p in picture.participants} <= set(participants())
    assert not any(e.topic for e in picture.endpoints)


@pytest.mark.parametrize("name", list(participants()))
def test_who_joins_sees_all_of_them_within_five_seconds(cart, name):
    spec = participants()[name]
    declared = {(kind, e["topic"]) for kind in ("writer", "reader") for e in spec[f"{kind}s"]}
    seen, after_s = topics(captured(cart[0], "with"), name)
    assert seen == declared
    assert after_s < WITHIN_S


def test_the_late_comer_is_known_and_says_goodbye(cart):
    folder, prefix = cart
    (ours,) = [p for p in captured(folder, "with").participants if p.prefix == prefix]
    assert ours.name == NAME
    assert ours.goodbye is not None
    assert ours.sources == (HOSTS["laptop"],)


def site_on_the_air():
    """The packaged example, its machines all on one link."""
    text = yaml.safe_load((EXAMPLE / "site.yaml").read_text())
    machines = [name for name in HOSTS if name != "laptop"]
    text["machines"] = {name: {"interfaces": {"wlan0": f"{HOSTS[name]}/24"}} for name in machines}
    text["links"] = {"air": {"kind": "ethernet", "joins": [f"{name}.wlan0" for name in machines]}}
    kept = {key: text[key] for key in ("site", "domain", "machines", "links", "participants", "topics")}
    return load_site(yaml.safe_dump(kept).encode(), "site.yaml")


def discovery(picture, outgoing):
    """Datagrams and bytes."""
    tallies = [s.discovery for s in picture.streams if s.discovery and s.outgoing is outgoing]
    return sum(t.count for t in tallies), sum(t.bytes for t in tallies)


def test_it_costs_what_was_said_beforehand(cart):
    """Measured as the difference of two stretches of 8 s, in which others' announcements fall as they may."""
    said = {c.machine: c for c in cost_of(site_on_the_air(), [f"{HOSTS['laptop']}/24"])}
    total = 0.0
    for machine, cost in said.items():
        here = {w: captured(cart[0], w, machine) for w in ("without", "with")}
        taken, sent = (
            [b - a for a, b in zip(*(discovery(here[w], outgoing) for w in ("without", "with")), strict=True)]
            for outgoing in (False, True)
        )
        assert cost.datagrams_in / 3 < taken[0] < cost.datagrams_in * 3, machine
        assert cost.datagrams_out / 3 < sent[0] < cost.datagrams_out * 3, machine
        total += taken[1] + sent[1]
    assert total == pytest.approx(sum(c.bytes_in + c.bytes_out for c in said.values()), rel=0.4)


def test_settings_name_only_what_was_asked_for():
    assert settings(["usb0", "wlan0"], ["10.77.1.2"], "a<b") == (
        '<CycloneDDS><Domain Id="any"><General><Interfaces><NetworkInterface name="usb0"/>'
        '<NetworkInterface name="wlan0"/></Interfaces></General><Discovery>'
        '<Peers><Peer address="10.77.1.2"/></Peers><Tag>a&lt;b</Tag>'
        "</Discovery><Tracing><Verbosity>none</Verbosity></Tracing></Domain></CycloneDDS>"
    )


def test_without_the_middleware_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "cyclonedds.core", None)
    with pytest.raises(LiveError, match=r"toprung\[join\]"), joined(["lo"], DOMAIN):
        pass


def test_a_foreign_configuration_is_refused(monkeypatch):
    pytest.importorskip("cyclonedds")
    monkeypatch.setenv("CYCLONEDDS_URI", "file:///etc/other.xml")
    with pytest.raises(LiveError, match="CYCLONEDDS_URI"), joined(["lo"], DOMAIN):
        pass


def test_an_interface_that_is_not_there_is_refused():
    pytest.importorskip("cyclonedds")
    with pytest.raises(LiveError, match="nic9"), joined(["nic9"], DOMAIN):
        pass
