"""Numbers of machines and links from pictures made by hand."""

from dataclasses import replace
from ipaddress import ip_interface

import pytest

from tests.observe.test_drafting import end, seen
from toprung.diagnose.observed import Observed
from toprung.model.ladder import Ladder
from toprung.model.picture import (
    Announced,
    Crossing,
    Load,
    Mark,
    Picture,
    Side,
    Spread,
    Stream,
    Tally,
    View,
)
from toprung.model.site import Budget, Interface, Joint, Link, LinkKind, Machine, Site
from toprung.observe.cast import Cast
from toprung.pictures.figures import link_figures, machine_figures, machine_words

MARK = Mark(2_000_000_000, 0, 1)
BASE = Machine("base", interfaces=(Interface("usb0", (ip_interface("10.0.0.1/24"),)),))
BRAIN = Machine("brain", interfaces=(Interface("usb0", (ip_interface("10.0.0.2/24"),)),))
CABLE = Link("cable", LinkKind.USB, (Joint("base", "usb0"), Joint("brain", "usb0")))


def load(per_second):
    """A load in bins of one second; every datagram has 100 bytes."""
    counts = tuple(per_second)
    sizes = tuple(100 * n for n in counts)
    return Load(0, 0, 1_000_000_000, counts, counts, sizes, sizes, sizes, sizes)


def spread(p50):
    return Spread(9, p50, p50, p50, p50, p50)


def observed(machine=BASE, **pictured):
    views = tuple(View(name, name, 5, 5, 0, 20_000_000_000, frozenset()) for name in ("base", "brain"))
    nothing = dict.fromkeys(Picture.__dataclass_fields__, ())
    picture = Picture(**(nothing | {"views": views} | pictured))
    cast = Cast({}, (), (), ("base", "brain"), {})
    return Observed(Site("s", machines=(machine, BRAIN), links=(CABLE,)), True, picture, cast, Ladder(()), ())


def participants(count):
    heard = Announced(0, "10.0.0.2", "239.255.0.1", 7400, True, None, 1, Tally(1, 1, MARK, MARK), None)
    return tuple(
        replace(seen(n, "10.0.0.2"), announced=(heard,), described=Mark(0, 0, 1)) for n in range(count)
    )


def test_discovery_is_counted_in_its_window_and_steadily_after_it():
    busy = [50, 10] + [1] * 13 + [2] * 20
    discovery = machine_figures(observed(loads=(load(busy),)), BASE).discovery
    assert (discovery.window_s, discovery.datagrams_in, discovery.bytes_in) == (15.0, 73, 7300)
    assert discovery.steady_datagrams_in_per_s == pytest.approx(2.0)
    assert discovery.steady_bytes_in_per_s == pytest.approx(200.0)
    assert discovery.peak_datagrams_in_per_s == 50.0


def test_a_capture_that_ends_early_has_no_steady_rate():
    discovery = machine_figures(observed(loads=(load([5] * 20),)), BASE).discovery
    assert discovery.datagrams_in == 75
    assert discovery.steady_datagrams_in_per_s is None


def test_a_machine_without_a_capture_is_unknown():
    figures = machine_figures(observed(), Machine("desk"))
    assert (figures.known_participants, figures.discovery, figures.introduced_p50_s) == (None, None, None)
    assert list(machine_words(observed(Machine("desk")))) == [
        "brain: 0 participants, 0 endpoints known",
    ]


@pytest.mark.parametrize(
    ("budget", "use", "limit"),
    [
        (Budget(participants=6), 0.5, "participants"),
        (Budget(participants=6, endpoints=2), 1.5, "endpoints"),
        (Budget(participants=6, messages_hz=10.0), 5.0, "messages"),
        (None, None, None),
    ],
)
def test_the_tightest_limit_of_a_budget_counts(budget, use, limit):
    machine = replace(BASE, budget=budget)
    ends = tuple(replace(end(n, Side.WRITER, f"t{n}"), introduced=(MARK,)) for n in range(3))
    picture = {"participants": participants(3), "endpoints": ends, "loads": (load([50, 1]),)}
    figures = machine_figures(observed(machine, **picture), machine)
    assert (figures.known_participants, figures.known_endpoints) == (3, 3)
    assert (figures.budget_use, figures.limit) == (use, limit)
    assert figures.introduced_p50_s == 2.0


def crossing(sender, receiver, source, destination, arrived, delay):
    return Crossing(
        sender, receiver, source, destination, False, False, 100, arrived, spread(delay), None, None, 0, 0
    )


def test_a_link_has_the_loss_and_the_mean_delay_of_both_directions():
    """The receiving clock is 1 s ahead: only the mean of both directions is the delay."""
    ways = (
        crossing(0, 1, "10.0.0.1", "10.0.0.2", 98, 1.002),
        crossing(1, 0, "10.0.0.2", "10.0.0.1", 100, -0.996),
        crossing(0, 1, "10.9.0.1", "10.9.0.2", 0, 5.0),  # another link
    )
    figures = link_figures(observed(crossings=ways), CABLE)
    assert figures.loss == pytest.approx(0.01)
    assert figures.delay_s == pytest.approx(0.003)
    assert link_figures(observed(), CABLE).loss is None


def test_what_two_captures_show_of_one_stream_counts_once():
    def stream(view, size):
        tally = Tally(10, size, MARK, MARK)
        return Stream(view, 0, "10.0.0.1", "10.0.0.2", 7411, False, None, 64, None, tally, None, None, 100)

    figures = link_figures(observed(streams=(stream(0, 40_000), stream(1, 39_000))), CABLE)
    assert figures.bytes_per_s == pytest.approx(2000.0)
