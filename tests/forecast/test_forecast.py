"""The whole forecast: properties that hold for every site, and what is said where the site says little."""

import json
from dataclasses import asdict

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from tests.forecast.sites import SOUND, forecast_of
from toprung.forecast.forecast import forecast
from toprung.model.ladder import State
from toprung.model.site_file import load_site
from toprung.pictures.envelope import envelope

HEIGHT = {State.UNREACHED: 0, State.BROKEN: 0, State.UNSEEN: 1, State.HELD: 2}
RATES = [6.5, 13, 19.5, 26, 39, 52, 58.5, 65]  # Mbit/s, 802.11ac, one stream of 20 MHz
AIR = "rate: 65 Mbit/s,\n    multicast_rate: 6 Mbit/s, access_point: true, delay: 1 ms, loss: 0 %"


def with_air(rate, loss, delay):
    """An access point of this rate (Mbit/s), loss (%) and delay (ms)."""
    figures = f"rate: {rate} Mbit/s, multicast_rate: 6 Mbit/s, delay: {delay} ms, loss: {loss} %"
    return AIR, f"{figures}, access_point: true"


def with_picture(size, hertz, kind):
    text = "size: 12 kB, rate: 5 Hz, from: pilot, to: panel, qos: {reliability: best_effort}"
    qos = f"qos: {{reliability: {kind}}}, loss: 2 %, within: 100 ms"
    return text, f"size: {size} B, rate: {hertz} Hz, from: pilot, to: panel, {qos}"


links = some.tuples(
    some.sampled_from(RATES), some.sampled_from([0, 0.1, 1, 5]), some.sampled_from([0, 1, 20, 200])
)
pictures = some.tuples(
    some.sampled_from([100, 3000, 40_000, 300_000]),
    some.sampled_from([1, 10, 50]),
    some.sampled_from(["best_effort", "reliable"]),
)


@settings(max_examples=60, deadline=None)
@given(one=links, other=links, picture=pictures)
def test_a_better_link_never_lowers_a_rung(one, other, picture):
    worse = min(one[0], other[0]), max(one[1], other[1]), max(one[2], other[2])
    better = max(one[0], other[0]), min(one[1], other[1]), min(one[2], other[2])
    below, above = (forecast_of(with_air(*air), with_picture(*picture)) for air in (worse, better))
    for low, high in zip(below.ladder.climbs, above.ladder.climbs, strict=True):
        for before, after in zip(low.states, high.states, strict=True):
            assert HEIGHT[after] >= HEIGHT[before], (low, high)


def crowded(count, middleware):
    """The sound site with so many more participants on the brain, that write and read among themselves."""
    names = [f"aux{n}" for n in range(count)]
    participants = "".join(f"  {n}: {{machine: brain, middleware: {middleware}}}\n" for n in names)
    topics = "".join(
        f"  chat{n}: {{type: Chat, size: 200 B, rate: 2 Hz, from: {n}, to: panel}}\n" for n in names
    )
    return SOUND.replace("topics:\n", f"{participants}topics:\n") + topics


@settings(max_examples=30, deadline=None)
@given(
    counts=some.tuples(some.integers(0, 12), some.integers(0, 12)),
    middleware=some.sampled_from(["cyclone", "fast"]),
)
def test_more_participants_never_lower_a_load(counts, middleware):
    few, many = (forecast(load_site(crowded(count, middleware)), simulate=False) for count in sorted(counts))
    for name, less in few.machines.items():
        more = many.machines[name]
        assert more.known_participants >= less.known_participants
        assert more.known_endpoints >= less.known_endpoints
        assert more.discovery.datagrams_in >= less.discovery.datagrams_in
        assert more.discovery.bytes_in >= less.discovery.bytes_in
        assert more.discovery.steady_bytes_in_per_s >= less.discovery.steady_bytes_in_per_s
    for name, less in few.links.items():
        assert many.links[name].busy >= less.busy
        assert many.links[name].bytes_per_s >= less.bytes_per_s


def test_the_same_site_has_the_same_forecast():
    one, other = (forecast_of(simulate=True, seeds=(1, 2)) for _ in range(2))
    assert envelope(one) == envelope(other)


def test_every_part_of_the_site_has_its_figures():
    made = forecast_of()
    assert list(made.machines) == ["base", "brain", "desk"]
    assert list(made.links) == ["cable", "air"]
    assert [flow.topic for flow in made.flows] == ["odom", "drive", "picture"]
    assert all(value is not None for key, value in asdict(made.links["air"]).items())
    text = json.dumps(envelope(made), allow_nan=False)
    assert json.loads(text)["kind"] == "forecast"


@pytest.mark.parametrize(
    "text",
    [
        "site: empty",
        "site: s\nmachines: {a: {}}",
        "site: s\nmachines: {a: {}}\nparticipants: {p: {machine: a}}",
    ],
)
def test_a_site_may_say_next_to_nothing(text):
    made = forecast(load_site(text))
    assert made.ladder.climbs == ()
    assert not made.has_findings
    json.dumps(envelope(made), allow_nan=False)


def test_a_link_without_rate_leaves_flowing_and_age_unseen():
    made = forecast_of(("rate: 200 Mbit/s, delay", "delay"))
    odom = made.ladder.climbs[0]
    assert odom.states[4:] == (State.UNSEEN, State.UNSEEN)
    assert made.links["cable"].busy is None
    assert any("cable" in line and "`rate`" in line for line in made.unseen)


def test_nothing_is_expected_of_a_topic_without_rate():
    made = forecast_of(("rate: 5 Hz, from: pilot, to: panel", "from: pilot, to: panel"))
    assert made.ladder.climbs[2].states == (State.HELD,) * 6


def test_what_is_taken_is_said():
    made = forecast_of((", middleware: cyclone", ""))
    text = "\n".join(made.assumptions)
    assert "discovery by multicast: driver, pilot, panel" in text
    assert "Cyclone DDS" in text
    declared = forecast_of(("panel: {machine: desk,", "panel: {machine: desk, discovery: multicast,"))
    assert "discovery by multicast: driver, pilot\n" in "\n".join(declared.assumptions)


def test_an_undeclared_network_is_taken_and_said():
    cable = SOUND[SOUND.index("  cable:") : SOUND.index("  air:")]
    made = forecast_of((cable, ""))
    assert made.ladder.climbs[0].states[0] is State.HELD
    assert any("base.usb0, brain.usb0" in line for line in made.assumptions)


def test_machines_that_no_link_joins_are_not_blamed():
    """What the site does not say is unseen, also where a simulation finds that nobody has met."""
    text = """
site: fernhouse
machines: {base: {}, brain: {}}
participants: {driver: {machine: base}, pilot: {machine: brain}}
topics: {cart1/odom: {from: driver, to: pilot}}
"""
    made = forecast(load_site(text.encode(), "site.yaml"))
    assert made.findings == ()
    assert [climb.broken_at for climb in made.ladder.climbs] == [None]
