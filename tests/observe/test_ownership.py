"""Which addresses are the capturing machine's: made-up traffic of each kind that real captures show."""

from __future__ import annotations

import pytest

from toprung.model.picture import Mark, Neighbour, Tally
from toprung.observe.ownership import own_addresses
from toprung.observe.traffic import Course

BASE, BRAIN, DESK, GROUP = "10.77.1.2", "10.77.1.1", "10.77.2.40", "239.255.0.1"
ONE = Tally(1, 100, Mark(0, 0, 1), Mark(0, 0, 1))


def course(source, destination, view=0, outgoing=None, count=10, ttl=64):
    tally = Tally(count, 100, ONE.first, ONE.last)
    return Course(
        view=view,
        prefix=b"p" * 12,
        source=source,
        destination=destination,
        port=7411,
        interface=0,
        outgoing=outgoing,
        multicast=destination == GROUP,
        every=tally,
        discovery=None,
        data=tally,
        fragmented=None,
        incomplete=None,
        largest_bytes=100,
        ttl=1 if destination == GROUP else ttl,
        vendor=0x0110,
        pieces=0,
    )


def mac(address, hardware, view=0):
    return Neighbour(view, address, hardware, ONE)


def own(courses, machines=(None,), neighbours=(), known=None, lags=None):
    lags = lags or {}
    return own_addresses(
        machines, courses, neighbours, known or {}, lambda one, other, a: lags.get((one, other, a))
    )


def test_cooked_captures_say_so():
    courses = [course(BRAIN, BASE, outgoing=True), course(BASE, BRAIN, outgoing=False)]
    assert own(courses) == [{BRAIN}]


def test_what_a_router_forwards_is_not_its_own():
    forwarded = [course(DESK, BASE, outgoing=False), course(DESK, BASE, outgoing=True)]
    assert own([*forwarded, course(BRAIN, BASE, outgoing=True)]) == [{BRAIN}]


def test_an_endpoint_is_in_every_unicast_datagram():
    assert own([course(BASE, BRAIN), course(DESK, BASE), course(BASE, DESK)]) == [{BASE}]


def test_two_addresses_of_one_link_layer_address_are_one_machine():
    courses = [course(BASE, BRAIN), course(DESK, "10.77.1.9"), course(BRAIN, BASE)]
    neighbours = [mac(BASE, "aa"), mac("10.77.1.9", "aa"), mac(BRAIN, "bb"), mac(DESK, "cc")]
    assert own(courses, neighbours=neighbours) == [{BASE, "10.77.1.9"}]


def test_forwarded_addresses_behind_a_router_are_not_the_routers():
    """Seen on the router's link: its own datagrams have a whole time to live, forwarded ones one less."""
    courses = [course(DESK, BASE, ttl=63), course(BRAIN, BASE), course(BASE, BRAIN)]
    neighbours = [mac(DESK, "bb"), mac(BRAIN, "bb"), mac(BASE, "aa")]
    found = own(courses, (None, "brain"), neighbours, {"brain": [BRAIN]})
    assert DESK not in found[0]


def test_a_link_of_two_alone_is_undecided():
    assert own([course(BASE, BRAIN), course(BRAIN, BASE)]) == [frozenset()]


def test_who_only_receives_is_not_taken_for_the_sender():
    assert own([course(BRAIN, BASE)]) == [frozenset()]


def test_who_only_hears_multicast_is_not_taken_for_the_sender():
    assert own([course(BRAIN, GROUP)]) == [frozenset()]


def test_declared_addresses_decide():
    courses = [course(BASE, BRAIN), course(BRAIN, BASE)]
    assert own(courses, ("base",), known={"base": [BASE], "brain": [BRAIN]}) == [{BASE}]


def test_an_undeclared_address_is_left_when_all_others_are_declared():
    """The desk came up with an address of another subnet."""
    courses = [course("10.77.30.40", GROUP), course(BRAIN, GROUP)]
    known = {"desk": [DESK], "brain": [BRAIN]}
    assert own(courses, ("desk",), known=known) == [{"10.77.30.40"}]


@pytest.mark.parametrize("ahead_s", [0.0, 3.5, -20.0])
def test_two_views_of_one_link_decide_each_other(ahead_s):
    """Each machine's datagrams pass its own capture first, whatever the clocks say."""
    courses = [course(a, b, view=v) for v in (0, 1) for a, b in ((BASE, BRAIN), (BRAIN, BASE))]
    lags = {(0, 1, BASE): 0.0003 + ahead_s, (0, 1, BRAIN): -0.0003 + ahead_s}
    assert own(courses, (None, None), lags=lags) == [{BASE}, {BRAIN}]


def test_what_another_view_owns_is_not_this_ones():
    courses = [course(BRAIN, BASE, outgoing=True), course(BASE, BRAIN, view=1), course(BRAIN, BASE, view=1)]
    assert own(courses, ("brain", "base")) == [{BRAIN}, {BASE}]


def test_two_captures_of_one_machine_share_its_address():
    courses = [course(BRAIN, BASE, outgoing=True), course(BRAIN, GROUP, view=1), course(BASE, BRAIN, view=1)]
    found = own(courses, ("brain", "brain"), known={"brain": [BRAIN]})
    assert found == [{BRAIN}, {BRAIN}]
