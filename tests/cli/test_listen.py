"""toprung listen: its words, without a network."""

from __future__ import annotations

import io
import sys
from types import SimpleNamespace

import pytest

from toprung.cli import joining
from toprung.cli.main import main
from toprung.errors import UsageError
from toprung.model.site_file import load_site

SITE = """
site: fernhouse
machines:
  base: {interfaces: {usb0: 10.77.1.2/24}, budget: {messages: 1 Hz}}
  brain: {interfaces: {usb0: 10.77.1.1/24}}
links: {cable: {kind: usb, joins: [base.usb0, brain.usb0], rate: 200 Mbit/s}}
participants:
  driver: {machine: base, middleware: cyclone}
  pilot: {machine: brain, middleware: cyclone}
topics: {cart1/odom: {type: cart::Odometry, size: 720 B, rate: 20 Hz, from: driver, to: pilot}}
"""


@pytest.fixture
def site_file(tmp_path):
    path = tmp_path / "site.yaml"
    path.write_text(SITE)
    return str(path)


def refused(capsys, *words):
    assert main(["listen", *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    return err


def test_bad_words_get_one_line(site_file, tmp_path, capsys):
    assert 'the site has no machine "attic"; would be right: base, brain' in refused(
        capsys, site_file, "--on", "lo", "--here", "attic"
    )
    assert "--for" in refused(capsys, "--on", "lo", "--for", "60")
    assert "there is no such interface; would be right: " in refused(capsys, "--on", "usb77")
    taken = tmp_path / "taken.pcapng"
    taken.write_text("")
    assert "the file is there already" in refused(capsys, "--on", "lo", "--save", str(taken))


def guest(monkeypatch, terminal, answer=""):
    monkeypatch.setattr("toprung.live.here.networks_on", lambda _: ("10.77.1.1/24",))
    stdin = io.StringIO(answer)
    stdin.isatty = lambda: terminal
    stderr = io.StringIO()
    stderr.isatty = lambda: terminal
    monkeypatch.setattr(joining, "sys", SimpleNamespace(stdin=stdin, stderr=stderr))
    return joining.Guest(("usb0",), load_site(SITE), None), stderr


def test_joining_says_what_it_costs_and_asks_where_a_budget_is_short(monkeypatch):
    who, said = guest(monkeypatch, terminal=False)
    with pytest.raises(UsageError, match=r"base: .*budget is 1; --yes joins in spite of it"):
        who.ask(yes=False)
    assert "Joining costs, once:\n  base   " in said.getvalue()
    who.ask(yes=True)


@pytest.mark.parametrize(("answer", "joins"), [("y\n", True), ("n\n", False), ("", False)])
def test_on_a_terminal_somebody_is_asked(monkeypatch, answer, joins):
    who, said = guest(monkeypatch, terminal=True, answer=answer)
    if joins:
        who.ask(yes=False)
    else:
        with pytest.raises(UsageError):
            who.ask(yes=False)
    assert said.getvalue().endswith("Join? [y/N] ")


def test_nobody_can_come_late_where_all_meet_at_a_server():
    server = SITE.replace("middleware: cyclone}", "middleware: fast, discovery: {server: 10.77.1.1:11811}}")
    with pytest.raises(UsageError, match="discovery server"):
        joining.Guest(("usb0",), load_site(server), None)


def test_loopback_is_heard_too_since_this_machines_participants_use_it():
    who = joining.Guest(("usb0",), None, 7)
    assert who.to_hear(("usb0",)) == ("usb0", "lo")
    assert who.to_hear(("any",)) == ("any",)


def test_read_takes_the_machine_that_we_stand_on(tmp_path, capsys, site_file):
    words = ["read", site_file, str(tmp_path / "a.pcap"), str(tmp_path / "b.pcap"), "--here", "brain"]
    for name in ("a", "b"):
        (tmp_path / f"{name}.pcap").write_bytes(b"\xd4\xc3\xb2\xa1" + bytes(20))
    assert main(words) == 2
    assert "2 captures are without a machine" in capsys.readouterr().err
    words[3] = f"brain={words[3]}"
    assert main(words) == 2
    assert "another capture is labelled brain" in capsys.readouterr().err
    assert sys.exc_info() == (None, None, None)
