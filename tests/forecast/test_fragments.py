"""Fragments: exact counts, the chance of loss, rounds of repair, the kernel's reassembly memory."""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.forecast.fragments import (
    BUFFER_CLASSES,
    Datagrams,
    any_lost,
    buffer_bytes,
    fragment_count,
    ip_packets,
    left_over_bytes,
    mean_rounds,
    reassembly,
    rounds_for,
)
from toprung.forecast.wired import ETHERNET


# RFC 791, 2.3 and 3.2 with RFC 768's header, MTU 1500: count, data of the last fragment, bytes on Ethernet
@pytest.mark.parametrize(
    ("payload", "count", "last", "ethernet"),
    [
        (1472, 1, 1480, 1538),
        (1473, 2, 1, 1622),
        (2952, 2, 1480, 3076),
        (2953, 3, 1, 3160),
        (8192, 6, 800, 8548),
        (9000, 7, 128, 9414),
        (16384, 12, 112, 17088),
        (32768, 23, 216, 34110),
        (65000, 44, 1368, 67560),
        (65507, 45, 395, 68125),
    ],
)
def test_ip_fragments(payload, count, last, ethernet):
    packets = ip_packets(payload, 1500)
    assert (len(packets), packets[-1] - 20) == (count, last)
    assert sum(map(ETHERNET.occupied_bytes, packets)) == ethernet


@pytest.mark.parametrize(
    ("mtu", "count", "step"), [(576, 119, 552), (1280, 53, 1256), (1492, 45, 1472), (9000, 8, 8976)]
)
def test_ip_fragments_of_other_mtus(mtu, count, step):
    packets = ip_packets(65_507, mtu)
    assert (len(packets), packets[0] - 20) == (count, step)


def test_the_standards_example():
    # RFC 791, Appendix A, example 2 (from memory): 452 octets of data over a net of 280 -> 276 and 216
    assert ip_packets(452 - 8, 280) == (276, 216)


def test_an_mtu_that_carries_nothing():
    with pytest.raises(ValueError, match="27"):
        ip_packets(100, 27)


@given(st.integers(0, 65_507), st.integers(68, 9000))
def test_fragments_hold_the_datagram(payload, mtu):
    packets = ip_packets(payload, mtu)
    assert sum(packets) - 20 * len(packets) == payload + 8
    assert all(20 < p <= mtu for p in packets)
    assert all((p - 20) % 8 == 0 for p in packets[:-1])


@pytest.mark.parametrize(
    ("sample", "counts"),
    [
        (65_536, (64, 51, 49, 8, 5, 2)),
        (100_000, (98, 77, 75, 13, 7, 2)),
        (921_600, (900, 709, 686, 113, 63, 15)),
        (1_048_576, (1024, 807, 781, 128, 72, 17)),
        (6_220_800, (6075, 4786, 4629, 760, 423, 96)),
    ],
)
def test_rtps_fragments(sample, counts):
    # DDSI-RTPS 2.5, 8.3.8.3.5: sample size / fragment size, one more for a remainder
    assert tuple(fragment_count(sample, f) for f in (1024, 1300, 1344, 8192, 14720, 65000)) == counts


@pytest.mark.parametrize(
    ("p", "percent"),
    [
        (0.001, (0.1999, 0.5985, 1.1934, 2.2749, 4.4024, 9.5208, 50.36)),
        (0.005, (0.9975, 2.9627, 5.8377, 10.889, 20.193, 39.423, 97.01)),
        (0.01, (1.99, 5.852, 11.3615, 20.639, 36.382, 63.397, 99.912)),
        (0.02, (3.96, 11.416, 21.528, 37.165, 59.712, 86.738, 100)),
        (0.05, (9.75, 26.491, 45.964, 69.264, 90.056, 99.408, 100)),
    ],
)
def test_loss_of_samples_in_pieces(p, percent):
    # 1 - (1 - p)^n, by hand
    for n, wanted in zip((2, 6, 12, 23, 45, 100, 700), percent, strict=True):
        assert 100 * any_lost(p, n) == pytest.approx(wanted, abs=6e-3)
    assert (any_lost(0, 45), any_lost(1, 45), any_lost(1, 0)) == (0, 1, 0)


def test_rounds():
    # one piece: geometric, mean 1 / (1 - p); n pieces: the greatest of n, by the sum of its tail
    assert mean_rounds(0.25, 1) == pytest.approx(4 / 3)
    assert mean_rounds(0.5, 2) == pytest.approx(8 / 3)  # 2/(1 - 1/2) - 1/(1 - 1/4)
    assert (mean_rounds(0, 9), mean_rounds(1, 9)) == (1, inf)
    assert [rounds_for(0.99, p, 1) for p in (0, 0.01, 0.1, 0.5, 1)] == [1, 1, 2, 7, None]
    assert rounds_for(0.99, 0.05, 686) == 4  # 686 * 0.05^4 = 0.4 %, 686 * 0.05^3 = 8.6 %


@given(st.floats(0.0, 0.9), st.integers(1, 2000), st.integers(0, 100), st.floats(0, 0.09))
def test_more_pieces_or_loss_never_help(p, n, more, worse):
    assert any_lost(p, n + more) >= any_lost(p, n)
    assert any_lost(p + worse, n) >= any_lost(p, n)
    assert mean_rounds(p + worse, n + more) >= mean_rounds(p, n) - 1e-9
    assert rounds_for(0.95, p + worse, n + more) >= rounds_for(0.95, p, n)


def test_buffers():
    # /proc/net/sockstat on Linux 6.18: 1,032 B for a fragment of 8 or 128 bytes, 1,480 for 256 or 512,
    # 2,504 for 1,000, 1,300 or 1,480, of which 200 are the datagram's record
    measured = {8: 1032, 128: 1032, 256: 1480, 512: 1480, 1000: 2504, 1300: 2504, 1480: 2504}
    assert {n: 200 + buffer_bytes(20 + n) for n in measured} == measured
    assert buffer_bytes(60_000) == 120_000
    assert list(BUFFER_CLASSES) == sorted(BUFFER_CLASSES)


def test_left_overs():
    assert left_over_bytes((1500,), 0.3) == 0  # whole packets are never held
    assert left_over_bytes((1500, 300), 0) == 0
    # two pieces, one lost: p = 0.1 -> 2 x 0.1 x 0.9 times the record, 0.09 times each piece
    assert left_over_bytes((1500, 300), 0.1) == pytest.approx(0.18 * 200 + 0.09 * (2304 + 1280))


def test_a_full_reassembly_memory():
    # 65 kB images at 5 Hz, 5 % loss: 90 % of 45 pieces' datagrams stay unfinished (CHECK: 1 - 0.95^45)
    image = ip_packets(65_000, 1500)
    found = reassembly([Datagrams(image, 5.0, 0.05)])
    each = 200 * (1 - 0.95**44 - 0.05**44) + 44 * 2304 * (0.95 - 0.95**44)
    assert found.fill_bytes_per_s == pytest.approx(5 * each)
    assert found.stalls
    assert found.full_s == pytest.approx((4 << 20) / (5 * each))
    assert 9 < found.full_s < 11
    assert found.held_bytes == 4 << 20
    calm = reassembly([Datagrams(image, 1.0, 0.0001), Datagrams((100,), 1000.0, 0.5)])
    assert not calm.stalls
    assert calm.held_bytes == pytest.approx(30 * calm.fill_bytes_per_s)
    assert reassembly([]).full_s == inf


@given(st.floats(0, 0.4), st.floats(0, 0.4), st.integers(2, 45), st.floats(0.1, 100))
def test_little_loss_leaves_less(p, more, n, rate):
    one = reassembly([Datagrams((1500,) * n, rate, p)])
    both = reassembly([Datagrams((1500,) * n, rate, p), Datagrams((1500,) * n, rate, more)])
    assert both.fill_bytes_per_s >= one.fill_bytes_per_s
    assert both.full_s <= one.full_s
