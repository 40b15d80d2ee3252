"""The model of a link: what arrives, when, and what does not.  Time is an argument: nothing waits."""

from __future__ import annotations

import struct

import pytest
from scipy.stats import binom

from toprung.forecast.airtime import access_us, burst_us, cell_of, multicast_us, waits_us
from toprung.model.site import Link, LinkKind, Standard
from toprung.rehearse.air import Air
from toprung.rehearse.cable import Cable
from toprung.rehearse.medium import NEVER, Medium, Station
from toprung.rehearse.specs import LinkSpec, Rule

STATIONS = [Station(f"m{n}", "if0", bytes([2, 0, 0, 0, 0, n])) for n in range(3)]
EVERYBODY = bytes.fromhex("01005e7f0001")


def frame(receiver=1, ip_bytes=500, sender=0):
    """An Ethernet frame with an IPv4 UDP packet; to everybody where receiver is None."""
    to = EVERYBODY if receiver is None else STATIONS[receiver].hardware
    address = b"\xef\xff\x00\x01" if receiver is None else b"\x0a\x00\x00\x01"
    head = struct.pack("!BBHIBBH4s4s", 0x45, 0, ip_bytes, 0, 64, 17, 0, b"\x0a\x00\x00\x02", address)
    udp = struct.pack("!HHHH", 1, 7410, ip_bytes - 20, 0)
    return (to + STATIONS[sender].hardware + b"\x08\x00" + head + udp).ljust(14 + ip_bytes, b"\0")


def link(medium=Cable, stations=2, seed=1, **spec):
    joins = [(s.machine, s.interface) for s in STATIONS[:stations]]
    return medium(LinkSpec("link", joins, **spec), STATIONS[:stations], seed)


def arrivals(medium, until=1e9):
    """(time, port) of everything that is on its way, in order."""
    found = [(0.0, port) for port, _ in medium.take(0.0)]
    while medium.due < until:
        now = medium.due
        found += [(now, port) for port, _ in medium.take(now)]
    return found


def test_without_limits_a_frame_arrives_at_once():
    cable = link()
    cable.offer(5.0, 0, frame())
    assert cable.take(5.0) == [(1, frame())]
    assert cable.due == NEVER


def test_serialisation_takes_exactly_the_bits_over_the_rate():
    usb = link(kind="usb", rate_bps=1e6)
    for _ in range(3):
        usb.offer(0.0, 0, frame(ip_bytes=986))
    assert [t for t, _ in arrivals(usb)] == pytest.approx([0.008, 0.016, 0.024])


def test_ethernet_adds_preamble_checksum_gap_and_padding():
    cable = link(rate_bps=10e6)
    cable.offer(0.0, 0, frame(ip_bytes=1500))
    # IEEE 802.3: a full frame is 1538 octets of time: 8 + 14 + 1500 + 4 + 12
    assert arrivals(cable) == [(pytest.approx(1538 * 8 / 10e6), 1)]
    cable.offer(1.0, 0, frame(ip_bytes=28))
    # and the shortest 84: 8 + 64 + 12
    assert arrivals(cable) == [(pytest.approx(1.0 + 84 * 8 / 10e6), 1)]


def test_directions_of_a_wire_do_not_wait_for_each_other():
    cable = link(rate_bps=1e6)
    cable.offer(0.0, 0, frame(1))
    cable.offer(0.0, 1, frame(0, sender=1))
    times = [t for t, _ in arrivals(cable)]
    assert times[0] == times[1]


def test_a_switch_stores_and_forwards():
    one, two = link(rate_bps=1e6), link(rate_bps=1e6, stations=3)
    for cable in (one, two):
        cable.offer(0.0, 0, frame())
    assert arrivals(two)[0][0] == pytest.approx(2 * arrivals(one)[0][0])
    two.offer(1.0, 0, frame(2))
    two.offer(1.0, 1, frame(2, sender=1))  # both towards one port: the second waits for the first
    single = two.duration_s(frame())
    assert [t for t, _ in arrivals(two)] == pytest.approx([1 + 2 * single, 1 + 3 * single])


def test_what_would_wait_longer_than_the_queue_is_dropped():
    cable = link(rate_bps=1e6, queue_s=0.1)
    for _ in range(50):
        cable.offer(0.0, 0, frame(ip_bytes=1462))  # 1500 octets: 12 ms
    came = arrivals(cable)
    assert len(came) == 9  # waited 0, 12, ..., 96 ms
    assert cable.tally.full == 41
    assert came[-1][0] == pytest.approx(9 * 0.012)


def test_delay_is_added_and_order_kept():
    cable = link(rate_bps=1e6, delay_s=0.5)
    cable.offer(0.0, 0, frame())
    cable.offer(0.0, 0, frame())
    single = cable.duration_s(frame())
    assert [t for t, _ in arrivals(cable)] == pytest.approx([0.5 + single, 0.5 + 2 * single])


@pytest.mark.parametrize("loss", [0.0, 0.01, 0.3])
def test_loss_is_binomial(loss):
    medium, n = link(Medium, loss=loss, seed=7), 20_000
    for _ in range(n):
        medium.offer(0.0, 0, frame())
    low, high = binom.ppf([1e-6, 1 - 1e-6], n, loss)
    assert low <= medium.tally.lost <= high
    assert len(medium.take(0.0)) == n - medium.tally.lost


def test_the_same_seed_loses_the_same_frames():
    def kept(seed):
        medium = link(Medium, loss=0.5, seed=seed)
        return [bool(medium.offer(0.0, 0, frame()) or medium.take(0.0)) for _ in range(64)]

    assert kept(3) == kept(3) != kept(4)


def test_a_link_drops_what_is_above_its_mtu():
    medium = link(Medium, mtu=1200)
    medium.offer(0.0, 0, frame(ip_bytes=1200))
    medium.offer(0.0, 0, frame(ip_bytes=1201))
    assert [len(f) for _, f in medium.take(0.0)] == [1214]
    assert medium.tally.long == 1


def test_frames_go_to_whom_they_are_addressed():
    medium = link(Medium, stations=3)
    medium.offer(0.0, 0, frame(2))
    medium.offer(0.0, 1, frame(None, sender=1))
    medium.offer(0.0, 0, b"\x02nobody" + frame()[7:])
    assert [port for port, _ in medium.take(0.0)] == [2, 0, 2]
    assert medium.tally.unknown == 1


def test_rules_drop_by_cast_sender_and_receiver():
    medium = link(
        Medium, stations=3, rules=[Rule(cast="multicast", receiver="m2"), Rule(sender="m1", udp=True)]
    )
    medium.offer(0.0, 0, frame(None))
    medium.offer(0.0, 0, frame(2))
    medium.offer(0.0, 1, frame(0, sender=1))
    assert [port for port, _ in medium.take(0.0)] == [1, 2]
    assert medium.tally.ruled == 2
    medium.rules = ()
    medium.offer(0.0, 1, frame(0, sender=1))
    assert [port for port, _ in medium.take(0.0)] == [0]


def test_a_rule_of_chance_takes_its_share():
    medium, n = link(Medium, rules=[Rule(share=0.2)], seed=5), 10_000
    for _ in range(n):
        medium.offer(0.0, 0, frame())
    low, high = binom.ppf([1e-6, 1 - 1e-6], n, 0.2)
    assert low <= medium.tally.ruled <= high


def test_a_burst_lets_go_at_multiples_of_its_time():
    medium = link(Medium, rules=[Rule("burst", burst_s=0.25)])
    for t in (0.01, 0.1, 0.26):
        medium.offer(t, 0, frame())
    medium.offer(0.3, 0, frame())
    assert [port for port, _ in medium.take(0.3)] == [1, 1]
    assert arrivals(medium) == [(0.5, 1), (0.5, 1)]


def test_a_late_rule_delays():
    medium = link(Medium, rules=[Rule("delay", delay_s=0.2, sender="m0")])
    medium.offer(0.0, 0, frame())
    medium.offer(0.0, 1, frame(0, sender=1))
    assert arrivals(medium) == [(0.0, 0), (0.2, 1)]


# Wi-Fi

WIFI = {"rate_bps": 65e6, "standard": "n", "multicast_rate_bps": 6e6}


def cell(access_point):
    return cell_of(Link("air", LinkKind.WIFI, (), 65e6, None, Standard.N, 6e6, access_point=access_point))


def air(access_point=False, stations=3, **more):
    return link(Air, stations, **{**WIFI, "access_point": access_point, **more})


def test_a_frame_takes_the_air_time_of_the_standard():
    medium = air()
    medium.offer(0.0, 0, frame(ip_bytes=1000))
    expected = (burst_us(cell(False), (1000,)) + waits_us(cell(False), (1000,))) / 1e6
    assert arrivals(medium) == [(pytest.approx(expected), 1)]
    assert medium.tally.busy_s == pytest.approx(expected)


def test_the_access_point_sends_everything_again():
    medium = air(access_point=True)
    medium.offer(0.0, 0, frame(ip_bytes=1000))
    once = (burst_us(cell(True), (1000,)) + waits_us(cell(True), (1000,))) / 1e6
    assert arrivals(medium) == [(pytest.approx(2 * once), 1)]


def test_multicast_goes_up_as_unicast_and_down_slowly_once_for_all():
    medium = air(access_point=True)
    medium.offer(0.0, 0, frame(None, ip_bytes=1000))
    up = burst_us(cell(True), (1000,)) + waits_us(cell(True), (1000,))
    down = multicast_us(cell(True), 1000) + access_us(cell(True))
    whole = pytest.approx((up + down) / 1e6)
    assert arrivals(medium) == [(whole, 1), (whole, 2)]
    assert medium.tally.busy_s == whole
    assert down > 3 * up


def test_everybody_waits_for_the_same_air():
    medium = air()
    medium.offer(0.0, 0, frame(1))
    medium.offer(0.0, 1, frame(0, sender=1))
    medium.offer(0.0, 2, frame(0, sender=2))
    single = medium.duration_s((0, 1), (500,))
    assert [t for t, _ in arrivals(medium)] == pytest.approx([single, 2 * single, 3 * single])


def test_senders_take_turns():
    medium = air(standard="g", rate_bps=54e6)  # no aggregates
    for _ in range(3):
        medium.offer(0.0, 0, frame(1))
    medium.offer(0.0, 2, frame(0, sender=2))
    assert [port for _, port in arrivals(medium)] == [1, 1, 0, 1]  # the first had begun already


def test_what_waits_for_one_receiver_goes_together():
    medium = air()
    medium.offer(0.0, 0, frame(1, ip_bytes=1500))
    for _ in range(8):
        medium.offer(0.0, 0, frame(1, ip_bytes=1500))
    came = arrivals(medium)
    together = burst_us(cell(False), (1500,) * 8) + waits_us(cell(False), (1500,) * 8)
    assert len({t for t, _ in came}) == 2
    assert came[-1][0] - came[0][0] == pytest.approx(together / 1e6)


def test_air_that_is_asked_for_too_much_drops():
    medium = air(access_point=True, queue_s=0.05)
    for _ in range(2000):
        medium.offer(0.0, 0, frame(None, ip_bytes=1000))
    came = arrivals(medium)
    assert medium.tally.full > 0
    assert len(came) + medium.tally.full == 2 * 2000
    assert medium.tally.busy_s == pytest.approx(came[-1][0])  # busy all the time, by one at a time


def test_air_of_unknown_rate_takes_no_time():
    medium = air(rate_bps=None)
    medium.offer(0.0, 0, frame())
    assert arrivals(medium) == [(0.0, 1)]


def test_a_packet_greater_than_the_other_end_takes_is_thrown_away():
    small = [Station("m0", "if0", bytes(6), 9000), Station("m1", "if0", bytes([2, 0, 0, 0, 0, 1]), 1500)]
    medium = Medium(LinkSpec("net", []), small)
    for size in (1500, 1501):
        medium.offer(0.0, 0, bytes([2, 0, 0, 0, 0, 1]) + bytes(8) + bytes(size))
    assert [len(frame) for _, frame in medium.take(0.0)] == [14 + 1500]
    assert medium.tally.long == 1
