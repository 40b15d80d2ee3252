"""The command's words, without a rehearsal: what does not fit gets one line."""

from __future__ import annotations

import os
from importlib.resources import files

import pytest

FERNHOUSE = str(files("toprung.examples") / "fernhouse" / "site.yaml")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--for", "20"), 'would be right: --for "20 s"'),
        (("--for", "3 hours"), "--for"),
        (("--for", "7200s"), "up to an hour"),
        (("--fault", "gremlins:air"), 'there is no fault "gremlins"'),
        (("--fault", "cut:nowhere"), "nowhere"),
        (("--keep", "/usr"), "/usr: it is there already, and not empty"),
    ],
)
def test_what_does_not_fit_gets_one_line(toprung, words, says):
    status, out, err = toprung("rehearse", FERNHOUSE, *words)
    assert (status, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1


def test_without_root_it_says_so(toprung, monkeypatch):
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    status, out, err = toprung("rehearse", FERNHOUSE)
    assert (status, out) == (2, "")
    assert err == (
        "toprung: rehearsal: the site cannot run here; network namespaces need root (run it with sudo)\n"
    )


def test_without_a_library_it_says_how_to_get_it(toprung, monkeypatch, rooted):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    status, _, err = toprung("rehearse", FERNHOUSE, "--peers", "cyclone")
    assert status == 2
    assert "pip install 'toprung[rehearse]'" in err


def test_without_a_compiler_it_says_how_to_get_it(toprung, monkeypatch, rooted):
    monkeypatch.setattr("toprung.rehearse.peers.lacking", lambda build: build.packages)
    status, _, err = toprung("rehearse", FERNHOUSE, "--peers", "fast")
    assert status == 2
    assert "apt install g++ libfastrtps-dev" in err


def test_faults_are_listed(toprung):
    status, out, _ = toprung("rehearse", FERNHOUSE, "--fault", "help")
    assert status == 0
    assert "multicast-dropped:" in out
    assert max(map(len, out.splitlines())) <= 100


@pytest.fixture
def rooted(monkeypatch):
    """As if machines could be made here."""
    monkeypatch.setattr("toprung.rehearse.run.missing", lambda more=None: "")


@pytest.mark.parametrize(
    ("site", "words", "says"),
    [
        ("site: x", (), "the site declares no participant"),
        (
            "site: x\nmachines: {a: {interfaces: {e: 'fd00::1/64'}}}\nparticipants: {p: {machine: a}}",
            (),
            "machine a has no IPv4 address, and rehearsals speak IPv4 only",
        ),
        (
            "site: x\nmachines: {a: {interfaces: {e: 10.0.0.1/24}}}\nparticipants: {p: {machine: a}}",
            ("--for", "4s", "--fault", "killed:p@5"),
            "it would come after 5 s, the rehearsal ends after 4 s",
        ),
        (
            "site: x\nmachines: {a: {interfaces: {e: 10.0.0.1/24}}}\nparticipants: {p: {machine: a}}",
            ("--keep", "/proc/nowhere"),
            "/proc/nowhere: no such file or directory",
        ),
    ],
)
def test_what_cannot_be_rehearsed_is_said_before_it_begins(toprung, tmp_path, site, words, says):
    (tmp_path / "x.yaml").write_text(site + "\n")
    status, out, err = toprung("rehearse", str(tmp_path / "x.yaml"), *words)
    assert (status, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1
