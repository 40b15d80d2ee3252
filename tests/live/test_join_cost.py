"""What a late comer costs, worked out for small sites; and the question before it joins."""

from __future__ import annotations

import io
import sys

import pytest

from toprung.cli import join_question
from toprung.cli.join_question import agreed_peers
from toprung.errors import UsageError
from toprung.live.join_cost import cost_lines, cost_of, peers_of
from toprung.live.probing.sockets import Nic
from toprung.model.site_file import load_site

SITE = """
site: fernhouse
domain: 7
machines:
  base: {{interfaces: {{usb0: 10.77.1.2/24}}, budget: {budget}}}
  brain: {{interfaces: {{usb0: 10.77.1.1/24, wlan0: 10.77.2.1/24}}}}
  desk: {{interfaces: {{wlan0: 10.77.2.40/24}}}}
links:
  cable: {{kind: usb, joins: [base.usb0, brain.usb0]}}
  air: {{kind: wifi, joins: [brain.wlan0, desk.wlan0]}}
participants:
  driver: {{machine: base, middleware: cyclone{how}}}
  pilot: {{machine: brain, middleware: cyclone}}
  panel: {{machine: desk, middleware: fast}}
topics:
{topics}
"""
AMPLE = "{participants: 12, endpoints: 400, messages: 900 Hz}"


def site(topics=3, budget=AMPLE, how=""):
    lines = "\n".join(
        f"  t{n}: {{type: T, size: 8 B, rate: 1 Hz, from: driver, to: pilot}}" for n in range(topics)
    )
    return load_site(SITE.format(topics=lines, budget=budget, how=how).encode(), "site.yaml")


def costs(made, *addresses, peers=()):
    return {c.machine: c for c in cost_of(made, addresses, peers)}


def test_who_has_more_to_say_pays_more():
    few, many = costs(site(2), "10.77.1.1/24"), costs(site(40), "10.77.1.1/24")
    assert many["base"].bytes_out > few["base"].bytes_out * 3
    assert many["brain"].bytes_in > few["brain"].bytes_in * 2
    assert few["base"].datagrams_in > 0


def test_who_does_not_share_a_link_pays_next_to_nothing():
    found = costs(site(), "10.77.2.50/24")  # a laptop on the air; base hangs on the cable
    assert found["desk"].datagrams_in > 5
    assert found["base"].datagrams_in < 4
    assert set(found) == {"base", "brain", "desk"}


@pytest.mark.parametrize(
    ("budget", "says"),
    [
        ("{participants: 2}", "participants to keep, and its budget is 2"),
        ("{endpoints: 3}", "endpoints to keep, and its budget is 3"),
        ("{messages: 4 Hz}", "datagrams in a second, and its budget is 4"),
        (AMPLE, ""),
    ],
)
def test_a_budget_that_does_not_do_is_named(budget, says):
    made = cost_of(site(budget=budget), ["10.77.1.1/24"])
    lines = list(cost_lines(made))
    assert max(map(len, lines)) <= 98
    assert len(lines) == 3 + bool(says)
    if says:
        assert lines[-1].startswith("base: ")
        assert says in lines[-1]


def test_those_without_multicast_are_looked_for_at_their_addresses():
    assert peers_of(site()) == ()
    made = site(how=", discovery: {peers: [10.77.1.1]}")
    assert peers_of(made) == ("10.77.1.2",)
    assert costs(made, "10.77.1.1/24", peers=peers_of(made))["base"].datagrams_out > 0


# the question


@pytest.fixture
def asked(monkeypatch):
    """Answers to the question, as from a terminal if there is one."""
    own = (Nic("usb0", "10.77.1.1", 24, 1500), Nic("lo", "127.0.0.1", 8, 65536))
    monkeypatch.setattr(join_question, "nics", lambda: own)

    def answer(words, terminal=True):
        stdin = io.StringIO(words)
        monkeypatch.setattr(stdin, "isatty", lambda: terminal)
        monkeypatch.setattr(sys, "stdin", stdin)

    return answer


def test_within_the_budget_nobody_is_asked(asked, capsys):
    asked("", terminal=False)
    assert agreed_peers(site(), ["usb0"], yes=False) == ()
    assert "base " in capsys.readouterr().err


SMALL = "{participants: 2}"


def test_beyond_it_only_yes_goes_on(asked, capsys):
    for answer in ("y\n", "yes\n"):
        asked(answer)
        assert agreed_peers(site(budget=SMALL), ["usb0"], yes=False) == ()
    assert "Join all the same? [y/N]" in capsys.readouterr().err
    for answer in ("n\n", "\n", ""):
        asked(answer)
        with pytest.raises(UsageError, match="not joined"):
            agreed_peers(site(budget=SMALL), ["usb0"], yes=False)


def test_without_a_terminal_it_takes_the_word(asked):
    asked("y\n", terminal=False)
    with pytest.raises(UsageError, match="--yes"):
        agreed_peers(site(budget=SMALL), ["usb0"], yes=False)
    assert agreed_peers(site(budget=SMALL), ["usb0"], yes=True) == ()


def test_without_a_site_the_cost_is_unknown_and_without_an_address_there_is_no_joining(asked, capsys):
    assert agreed_peers(None, ["usb0"], yes=False) == ()
    assert "nobody can say what that costs" in capsys.readouterr().err
    with pytest.raises(UsageError, match="no IPv4 address"):
        agreed_peers(site(), ["usb1"], yes=False)
