"""Discovery at every machine: the exchange in expectation, the state held, and the named limit."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.forecast.test_simulation import site_of
from toprung.forecast.company import company_of, endpoints_of
from toprung.forecast.discovery import discovery_of
from toprung.forecast.exchange import Exchange
from toprung.forecast.introducing import exchanged, steady
from toprung.forecast.profile import profile_of
from toprung.forecast.reach import reach_of
from toprung.forecast.simulation import run
from toprung.model.picture import Side
from toprung.model.site import Middleware
from toprung.model.site_file import load_site

LIBRARIES = ["cyclone", "fast"]
MODES = ["multicast", "peers"]

BASE = """
site: limits
machines:
  base: {interfaces: {e: 10.0.0.1/24}, budget: {participants: 12, endpoints: 500, messages: 5000 Hz}}
  brain: {interfaces: {e: 10.0.0.2/24}}
links: {l: {kind: ethernet, joins: [base.e, brain.e]}}
participants:
  driver: {machine: base}
"""


def crowd(names, discovery=""):
    """A base with one participant, and a brain with as many as there are names; two of them talk to it."""
    lines = [BASE.rstrip()]
    lines += [f"  {name}: {{machine: brain{discovery}}}" for name in names]
    lines += ["topics:", f"  odom: {{type: a::Odom, from: driver, to: [{names[0]}, {names[1]}]}}"]
    return load_site("\n".join(lines) + "\n")


def test_the_limit_is_named_and_what_a_server_would_change():
    site = crowd([f"p{i:02d}" for i in range(18)])
    base, brain = discovery_of(site, reach_of(site))
    assert base.figures.known_participants == 19
    assert base.figures.limit == "participants"
    assert base.figures.budget_use == pytest.approx(19 / 12, abs=1e-4)
    assert base.overloaded
    assert base.with_server == 4  # itself, its two partners and the server
    assert base.says == (
        "base is the limit: 19 participants against a budget of 12; with a central server it would be 4"
    )
    assert brain.figures.budget_use is None
    assert not brain.says


def test_within_the_budget_nothing_is_said():
    site = crowd(["a", "b", "c"])
    base, _ = discovery_of(site, reach_of(site))
    assert base.figures.known_participants == 4
    assert base.figures.known_endpoints == 3
    assert not base.says
    assert base.figures.budget_use < 1


def test_a_central_server_bounds_what_is_known():
    site = load_site(
        """
site: served
machines:
  base: {interfaces: {e: 10.0.0.1/24}}
  brain: {interfaces: {e: 10.0.0.2/24}}
links: {l: {kind: ethernet, joins: [base.e, brain.e]}}
participants:
  driver: {machine: base, middleware: fast, discovery: {server: 10.0.0.2:11811}}
  pilot: {machine: brain, middleware: fast, discovery: {server: 10.0.0.2:11811}}
  eye: {machine: brain, middleware: fast, discovery: {server: 10.0.0.2:11811}}
topics:
  odom: {type: a::Odom, from: driver, to: pilot}
  image: {type: a::Image, from: eye, to: pilot}
"""
    )
    base, brain = discovery_of(site, reach_of(site))
    assert base.figures.known_participants == 3  # driver, pilot, the server
    assert base.figures.discovery.datagrams_in > 30
    assert base.figures.discovery.datagrams_out == pytest.approx(brain.figures.discovery.datagrams_in)
    assert base.figures.discovery.steady_datagrams_in_per_s == pytest.approx(1 / 3, abs=1e-3)


@pytest.mark.parametrize("library", LIBRARIES)
@pytest.mark.parametrize("mode", MODES)
def test_what_is_sent_arrives(library, mode):
    """Unicast on the wire: as many datagrams and bytes are received as were sent."""
    site = site_of(9, library, per=3, mode=mode)
    ledger = exchanged(Exchange(company_of(site, reach_of(site))))
    for kind in (0, 1):
        received = ledger.received[kind].sum() + ledger.probes[kind].sum()
        assert received == pytest.approx(ledger.sent[kind].sum(), rel=0.02)


@pytest.mark.parametrize("library", LIBRARIES)
def test_steady_rates_are_those_of_the_rules(library):
    """2 participants on 2 machines: announcements, and liveliness with its answer (Cyclone DDS)."""
    site = site_of(2, library, per=1)
    rules = profile_of(Middleware(library)).rules
    into, _ = steady(Exchange(company_of(site, reach_of(site)), 1)).at_machines()
    expected = (1 + rules.to_known) / rules.period_s
    if rules.liveliness_period_s:
        expected += 2 / rules.liveliness_period_s
    np.testing.assert_allclose(into[0, :, 0], expected, rtol=1e-6)


@pytest.mark.parametrize("library", LIBRARIES)
@pytest.mark.parametrize("count", [2, 6, 12])
def test_expectation_and_simulation_agree(library, count):
    """Two ways to the same count.  The simulation knows neither split messages nor spent allowances."""
    site = site_of(count, library, per=max(1, count // 3))
    starts = {p.name: 0.2 * i for i, p in enumerate(site.participants)}
    company = company_of(site, reach_of(site), starts_s=starts)
    into, out = exchanged(Exchange(company)).at_machines()
    simulated = run(company, 1, 15.0)
    assert out[0].sum() == pytest.approx(simulated.sent.sum(), rel=0.2, abs=12)
    assert into[0].sum() == pytest.approx(simulated.received.sum(), rel=0.2, abs=12)


def test_fewer_writers_than_names_of_a_topic():
    site = crowd(["a", "b", "c"])
    endpoints = endpoints_of(site)
    assert [e.side for e in endpoints["driver"]] == [Side.WRITER]
    assert [e.side for e in endpoints["a"]] == [Side.READER]
    assert "c" not in endpoints


@settings(max_examples=25, deadline=None)
@given(st.integers(2, 9), st.sampled_from(LIBRARIES), st.sampled_from(MODES))
def test_more_participants_never_lower_a_load(count, library, mode):
    """One more participant on a machine of its own, the others as they were."""
    site = site_of(count + 1, library, per=1, mode=mode)
    starts = {p.name: 0.15 * i for i, p in enumerate(site.participants)}
    lone = site.participants[-1].name
    fewer = replace(
        site,
        participants=site.participants[:-1],
        topics=tuple(
            replace(t, writers=_without(t.writers, lone), readers=_without(t.readers, lone))
            for t in site.topics
        ),
    )
    many = discovery_of(site, reach_of(site), starts_s=starts)
    few = discovery_of(fewer, reach_of(fewer), starts_s=starts)
    for one, other in zip(few[:-1], many[:-1], strict=True):
        a, b = one.figures.discovery, other.figures.discovery
        assert b.datagrams_in >= a.datagrams_in - 1e-6
        assert b.datagrams_out >= a.datagrams_out - 1e-6
        assert b.bytes_in >= a.bytes_in - 1
        assert b.peak_datagrams_in_per_s >= a.peak_datagrams_in_per_s - 1e-6
        assert other.figures.known_participants == one.figures.known_participants + 1


def _without(names, lone):
    return tuple(name for name in names if name != lone)


def test_a_site_without_participants():
    site = load_site("site: empty\nmachines: {m: {interfaces: {e: 10.0.0.1/24}}}\n")
    (one,) = discovery_of(site, reach_of(site))
    assert one.figures.known_participants == 0
    assert one.figures.discovery.datagrams_in == 0
