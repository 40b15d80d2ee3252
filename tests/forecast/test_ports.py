"""Ports of declared participants (DDSI-RTPS 2.5, 9.6.2.3; rows as in CHECKS 1.1)."""

import pytest

from toprung.forecast.ports import ports_of, room, takes_index, tried_indices
from toprung.model.site import Middleware
from toprung.model.site_file import load_site
from toprung.wire.ports import PortKind


def site(domain, count, middleware="fast", discovery="multicast"):
    people = "\n".join(
        f"  p{n}: {{machine: base, middleware: {middleware}, discovery: {discovery}}}" for n in range(count)
    )
    text = (
        f"site: fernhouse\ndomain: {domain}\nmachines: {{base: {{}}, brain: {{}}}}\nparticipants:\n{people}\n"
    )
    return load_site(text)


@pytest.mark.parametrize(
    ("domain", "index", "discovery", "user"),
    [
        (0, 0, 7410, 7411),
        (0, 1, 7412, 7413),
        (0, 119, 7648, 7649),
        (1, 119, 7898, 7899),
        (42, 1, 17912, 17913),
        (101, 54, 32768, 32769),
        (232, 62, 65534, 65535),
    ],
)
def test_participants_of_one_machine_count_up(domain, index, discovery, user):
    numbers = ports_of(site(domain, index + 1))[f"p{index}"].numbers
    assert (numbers[PortKind.DISCOVERY_UNICAST], numbers[PortKind.USER_UNICAST]) == (discovery, user)


def test_one_more_than_the_domain_has_room_for_does_not_fit():
    assert [p.fits for p in ports_of(site(0, 121)).values()] == [True] * 120 + [False]
    assert [p.fits for p in ports_of(site(232, 64)).values()] == [True] * 63 + [False]
    assert (room(0).most, room(232).most) == (120, 63)


def test_ports_that_linux_may_hand_out_are_named():
    """Linux hands out 32768 to 60999: domain 101 is clear up to index 53."""
    found = ports_of(site(101, 55))
    assert found["p53"].handed_out == ()
    assert set(found["p54"].handed_out) == {32768, 32769}
    assert (room(101).clear, room(100).clear, room(102).clear, room(215).clear) == (54, 120, 0, 120)


def test_cyclone_takes_an_index_only_where_it_looks_by_unicast():
    by_multicast = ports_of(site(7, 2, "cyclone"))["p1"]
    assert (by_multicast.index, by_multicast.fits) == (None, True)
    assert set(by_multicast.numbers) == {PortKind.DISCOVERY_MULTICAST, PortKind.USER_MULTICAST}
    by_list = ports_of(site(7, 2, "cyclone", "{peers: [10.0.0.1]}"))["p1"]
    assert (by_list.index, by_list.numbers[PortKind.DISCOVERY_UNICAST]) == (1, 9162)
    assert not takes_index(
        load_site("site: f\nmachines: {base: {}}\nparticipants: {p: {machine: base}}").participant("p")
    )


def test_a_list_of_peers_tries_as_many_indices_as_its_library_does():
    assert tried_indices(Middleware.CYCLONE) == 100
    assert tried_indices(Middleware.FAST) == tried_indices(None) == 4
