"""What a late comer costs, worked out for small sites."""

from __future__ import annotations

import pytest

from toprung.live.join_cost import cost_lines, cost_of
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
    made = site(how=", discovery: {peers: [10.77.1.1]}")
    assert costs(made, "10.77.1.1/24", peers=["10.77.1.2"])["base"].datagrams_out > 0
