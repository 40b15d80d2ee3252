"""Whatever a site file may say, it is forecast: no exception, no infinity in JSON, no line too long."""

import json

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from toprung.forecast.forecast import forecast
from toprung.model.ladder import RUNGS
from toprung.model.site_file import load_site
from toprung.pictures.comparison_text import comparison_json
from toprung.pictures.envelope import envelope
from toprung.pictures.forecast_text import forecast_text
from toprung.pictures.text import WIDTH, Style
from toprung.pictures.told import read_told, told_of

MACHINES = ("base", "brain", "desk")
PEOPLE = ("driver", "pilot", "panel", "eye")


def maybe(strategy):
    """A key that may be left out."""
    return some.none() | strategy


def entry(**keys):
    """A block of the file: keys that are None are not written."""
    return some.fixed_dictionaries(keys).map(lambda d: {k: v for k, v in d.items() if v is not None})


def quantity(unit, *numbers):
    return some.sampled_from(numbers).map(lambda n: f"{n} {unit}")


qos = entry(
    reliability=maybe(some.sampled_from(["reliable", "best_effort"])),
    durability=maybe(some.sampled_from(["volatile", "transient_local"])),
    history=maybe(some.sampled_from(["keep_all", "keep_last", {"depth": 3}])),
    deadline=maybe(quantity("ms", 1, 500)),
)
topics = entry(
    **{
        "size": maybe(quantity("B", 1, 100, 1473, 70_000, 20_000_000)),
        "rate": maybe(quantity("Hz", 0.01, 1, 30, 10_000)),
        "from": some.lists(some.sampled_from(PEOPLE), min_size=1, max_size=2, unique=True),
        "to": some.lists(some.sampled_from(PEOPLE), min_size=1, max_size=3, unique=True),
        "qos": maybe(qos),
        "within": maybe(quantity("ms", 1, 100)),
        "loss": maybe(quantity("%", 0, 2, 100)),
        "exclusive": maybe(some.booleans()),
    }
)
services = entry(
    **{
        "from": some.sampled_from(PEOPLE),
        "to": some.sampled_from(PEOPLE),
        "rate": maybe(quantity("Hz", 1, 20)),
        "within": maybe(quantity("ms", 1, 100)),
    }
)
BAND = {
    "rate": maybe(quantity("Mbit/s", 0.001, 1, 65, 10_000)),
    "delay": maybe(quantity("ms", 0, 1, 300)),
    "loss": maybe(quantity("%", 0, 1, 60, 100)),
}
AIR = {
    "standard": maybe(some.sampled_from(["b", "g", "a", "n", "ac", "ax"])),
    "multicast_rate": maybe(quantity("Mbit/s", 1, 6, 24)),
    "access_point": maybe(some.booleans()),
}
links = entry(kind=some.just("wifi"), **BAND, **AIR) | entry(
    kind=some.sampled_from(["ethernet", "usb"]), **BAND
)
interfaces = some.tuples(
    some.sampled_from(["10.0.0.{}/24", "10.0.{}.1/24", "fd00::{}/64", ""]),
    maybe(quantity("B", 68, 576, 9000)),
)
discoveries = some.sampled_from(
    ["multicast", {"peers": ["10.0.0.1", "10.0.0.2"]}, {"server": "10.0.0.2:11811"}, {"peers": []}]
)


budgets = entry(
    participants=maybe(some.integers(1, 4)),
    endpoints=maybe(some.integers(1, 20)),
    messages=maybe(quantity("Hz", 0.1, 5, 500)),
)
people = entry(
    machine=some.sampled_from(MACHINES),
    middleware=maybe(some.sampled_from(["cyclone", "fast", "other"])),
    interfaces=maybe(some.just(["net0"])),
    discovery=maybe(discoveries),
)
vehicles = entry(
    top_speed=maybe(quantity("m/s", 0, 1)),
    braking=maybe(quantity("m/s^2", 0.5)),
    margin=maybe(quantity("m", 0, 9)),
    watchdog=maybe(quantity("ms", 0, 500)),
    track=maybe(quantity("m", 0, 0.3)),
)
batteries = entry(
    capacity=maybe(quantity("Wh", 60)),
    loads=maybe(some.sampled_from([{}, {"drive": "0 W"}, {"drive": "14 W"}])),
    reserve=maybe(quantity("%", 0, 20, 100)),
    dock_power=maybe(quantity("W", 0, 30)),
    farthest=maybe(quantity("m", 0, 80)),
    speed=maybe(quantity("m/s", 0, 1)),
)


@some.composite
def machines(draw, number):
    address, mtu = draw(interfaces)
    interface = {} if not address else {"address": address.format(number)}
    made = {"interfaces": {"net0": interface | ({"mtu": mtu} if mtu else {})}}
    if draw(some.booleans()):
        made["budget"] = draw(budgets)
    if draw(some.booleans()):
        made["forwards"] = draw(some.sampled_from([["unicast"], ["unicast", "multicast"]]))
    return made


def loops(topic_names):
    topic = some.sampled_from(topic_names)
    return entry(
        through=some.lists(topic, min_size=1, max_size=2),
        work=maybe(some.just({"pilot": "20 ms"})),
        sense=maybe(entry(topic=topic, range=maybe(quantity("m", 0, 6)))),
        vehicle=maybe(some.just("cart")),
    )


@some.composite
def sites(draw):
    topic_names = [f"topic{n}" for n in range(draw(some.integers(1, 4)))]
    joins = [f"{name}.net0" for name in MACHINES]
    return {
        "site": "any",
        "domain": draw(some.sampled_from([0, 150, 231, 232])),
        "machines": {name: draw(machines(number)) for number, name in enumerate(MACHINES, 1)},
        "links": {"net": draw(links) | {"joins": joins}} if draw(some.booleans()) else {},
        "participants": {name: draw(people) for name in PEOPLE},
        "topics": {name: draw(topics) for name in topic_names},
        "services": {"dock": draw(services)} if draw(some.booleans()) else {},
        "actions": {"tour": {"from": "panel", "to": "pilot"}} if draw(some.booleans()) else {},
        "loops": {"avoid": draw(loops(topic_names))},
        "vehicles": {"cart": draw(vehicles)},
        "power": {"cart": draw(batteries)},
    }


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=sites(), simulate=some.sampled_from([False, False, True]))
def test_any_site_is_forecast(data, simulate):
    site = load_site(json.dumps(data))
    made = forecast(site, simulate=simulate, seeds=(1,))
    assert [c.flow for c in made.ladder.climbs] == [f.flow for f in site.flows()]
    assert all(len(c.states) == len(RUNGS) for c in made.ladder.climbs)
    told = json.loads(json.dumps(envelope(made), allow_nan=False))
    assert read_told(told, "x") == told_of(made)
    json.dumps(comparison_json(told_of(made), told_of(made)), allow_nan=False)
    for style in (Style(), Style(wide=False)):
        text = forecast_text(made, style)
        assert max(map(len, text.splitlines())) <= WIDTH
        assert not {"inf", "nan"} & set(text.split())
