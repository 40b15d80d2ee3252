"""Air time of packets, greatest throughput, multicast and beacons, against published values."""

from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from toprung.forecast import airtime
from toprung.forecast.airtime import (
    DSSS_TIMING,
    OFDM_TIMING,
    Cell,
    access_us,
    beacon_share,
    burst_us,
    cell_of,
    greatest_throughput_bps,
    hops_us,
    multicast_hold_us,
    multicast_us,
    unicast_us,
    waiting_us,
)
from toprung.forecast.phys import dsss, ofdm
from toprung.model.site import Joint, Link, LinkKind, Standard

PLAIN = 24 + 4 + 8  # MAC header, FCS, LLC/SNAP; no encryption
BASIC = (ofdm(6e6), ofdm(12e6), ofdm(24e6))


def legacy(rate_mbps, **changes):
    """An 802.11a cell without encryption, as textbook sums have it."""
    return replace(Cell(ofdm(rate_mbps * 1e6), ofdm(6e6), OFDM_TIMING, PLAIN, basic=BASIC), **changes)


def link(standard=Standard.AC, mbps=65.0, multicast=6.0, **more):
    joins = (Joint("brain", "wlan0"), Joint("desk", "wlan0"))
    return Link(
        "air",
        LinkKind.WIFI,
        joins,
        mbps * 1e6,
        None,
        standard,
        multicast * 1e6,
        **{"access_point": True} | more,
    )


# -- Jun, Peddabachagari, Sichitiu, "Theoretical maximum throughput of IEEE 802.11 and its applications", NCA
# 2003: delay a*x + b microseconds for x bytes of MSDU (a, b recalled from the paper's table and re-derived).
# The paper takes 34 bytes of MAC overhead, SIFS 9 us for OFDM, and answers at the data rate (1 for DSSS).
JUN = [
    (dsss(1e6), dsss(1e6), 8, 1138, 1814),
    (dsss(2e6), dsss(1e6), 4, 1002, 1678),
    (dsss(5.5e6), dsss(1e6), 1.45455, 915.45, 1591.45),
    (dsss(11e6), dsss(1e6), 0.72727, 890.73, 1566.73),
    (ofdm(6e6), ofdm(6e6), 1.33333, 223.5, 337.5),
    (ofdm(12e6), ofdm(12e6), 0.66667, 187.0, 273.0),
    (ofdm(24e6), ofdm(24e6), 0.33333, 170.75, 244.75),
    (ofdm(54e6), ofdm(54e6), 0.14815, 159.94, 225.94),
]


@pytest.mark.parametrize(("data", "answer", "a", "b", "b_rts"), JUN, ids=lambda x: getattr(x, "name", ""))
@pytest.mark.parametrize("protect", [False, True])
def test_theoretical_maximum_throughput(data, answer, a, b, b_rts, protect):
    timing = DSSS_TIMING if data.family == "DSSS" else replace(OFDM_TIMING, sifs_us=9, gap_slots=25 / 9)
    # the paper counts parts of symbols in data frames: symbols of one bit
    fine = replace(data, symbol_us=data.symbol_us / data.bits_per_symbol, bits_per_symbol=1)
    whole = Cell(data, data, timing, 34, basic=(answer,), protect=protect)
    for size in (64, 512, 1024, 1500, 2304):
        published = 8e6 * size / (a * size + (b_rts if protect else b))
        assert greatest_throughput_bps(replace(whole, unicast=fine), size) == pytest.approx(
            published, rel=5e-5
        )
        taken_us = 8e6 * size / greatest_throughput_bps(whole, size)
        assert -0.02 <= taken_us - 8e6 * size / published <= data.symbol_us + 0.02


@pytest.mark.parametrize(
    ("mbps", "us_1500", "us_64"),
    [(6, 2233.5, 317.5), (12, 1197.5, 237.5), (24, 681.5, 201.5), (54, 393.5, 181.5)],
)
def test_maximum_throughput_by_the_standard(mbps, us_1500, us_64):
    # the same with SIFS 16, whole symbols and basic rates: sums of IEEE 802.11-2020 clause 17, by hand
    cell = legacy(mbps, mac_bytes=34)
    for size, us in ((1500, us_1500), (64, us_64)):
        assert greatest_throughput_bps(cell, size) == pytest.approx(8e6 * size / us, rel=1e-12)


def test_upper_limit_of_throughput():
    # Xiao and Rosdahl, IEEE Communications Letters 6(8), 2002: 75.24 Mbit/s for 1500 bytes in 802.11a however
    # fast the rate (from memory, arithmetic checked; one symbol each for frame and answer, delays of 1 us)
    endless = replace(ofdm(54e6), bits_per_symbol=1e12)
    cell = legacy(
        54, unicast=replace(endless, preamble_us=20 + 1 - 4), basic=(replace(endless, preamble_us=17),)
    )
    free = greatest_throughput_bps(cell, 1500)
    assert free == pytest.approx(8e6 * 1500 / (34 + 16 + 67.5 + 2 * 20 + 2 * 1), rel=1e-9)
    assert free / 1e6 == pytest.approx(75.24, abs=0.01)


@pytest.mark.parametrize(
    ("udp", "mc6", "mc24", "uc54", "mc1"),
    [
        (100, 345.5, 177.5, 193.5, 1864),
        (300, 613.5, 245.5, 221.5, 3464),
        (1024, 1577.5, 485.5, 329.5, 9256),
        (1472, 2173.5, 637.5, 393.5, 12840),
    ],
)
def test_multicast_and_unicast_of_one_datagram(udp, mc6, mc24, uc54, mc1):
    # sums of IEEE 802.11-2020 clauses 16 and 17 with mean backoff, by hand; RFC 9119, 3.1, on multicast rates
    packet = udp + 8 + 20
    cell = legacy(54, access_point=False)
    assert access_us(cell) + multicast_us(cell, packet) == mc6
    assert access_us(cell) + multicast_us(replace(cell, multicast=ofdm(24e6)), packet) == mc24
    assert access_us(cell) + unicast_us(cell, packet) == uc54
    old = Cell(dsss(11e6), dsss(1e6), DSSS_TIMING, PLAIN, access_point=False, basic=(dsss(1e6),))
    assert access_us(old) + multicast_us(old, packet) == mc1


def test_gaps():
    # IEEE 802.11-2020: DIFS 34 us (OFDM), 50 us (DSSS), 28 us (ERP, short slots); AIFS of best effort 43 us
    assert (OFDM_TIMING.gap_us, DSSS_TIMING.gap_us, airtime.SHORT_SLOT_TIMING.gap_us) == (34, 50, 28)
    assert cell_of(link()).timing.gap_us == 43


def test_responses_at_the_greatest_mandatory_rate():
    # IEEE 802.11-2020, 10.6.6.5.2: 9 -> 6, 18 -> 12, 36, 48, 54 -> 24
    chosen = {r: legacy(r).control.rate_bps / 1e6 for r in (6, 9, 12, 18, 24, 36, 48, 54)}
    assert chosen == {6: 6, 9: 6, 12: 12, 18: 12, 24: 24, 36: 24, 48: 24, 54: 24}
    assert cell_of(link(mbps=6.5)).control.rate_bps == 6e6  # VHT MCS 0 stands for 6 Mbit/s


def test_the_cell_of_a_site():
    cell = cell_of(link())
    assert (cell.unicast.name[:11], cell.multicast.name) == ("VHT20 MCS 7", "OFDM 6 Mbit/s")
    assert any("used twice" in words for words in cell_of(link(access_point=None)).assumptions)
    assert cell_of(link(access_point=None)).access_point
    assert cell_of(link(Standard.N, 65, 1)).multicast.name == "DSSS 1 Mbit/s"
    assert cell_of(link(Standard.N, 65, 1)).timing.sifs_us == 10
    assert cell_of(link(Standard.G, 54, 11)).multicast.name == "DSSS 11 Mbit/s"
    assert cell_of(replace(link(), kind=LinkKind.ETHERNET)) is None
    assert cell_of(replace(link(), rate_bps=None)) is None


def test_the_access_point_sends_again():
    direct, over = legacy(54, access_point=False), legacy(54)
    packet = (1000,)
    assert hops_us(over, packet) == 2 * hops_us(direct, packet)
    assert waiting_us(over, packet) == 2 * waiting_us(direct, packet)
    # multicast goes up as unicast and down at the low rate
    assert hops_us(over, packet, many=True) == unicast_us(over, 1000) + multicast_us(over, 1000)
    assert hops_us(direct, packet, many=True) == multicast_us(direct, 1000)


def test_aggregation():
    # IEEE 802.11-2020, 10.12: in HT at most 65,535 bytes and, with a compressed block ack, 64 frames
    cell = cell_of(link(Standard.N, 65))
    frame = 1500 + cell.mac_bytes
    together = burst_us(cell, (1500,) * 10)
    psdu = 10 * (4 + frame) + 9 * (-frame % 4)
    assert together == pytest.approx(
        cell.unicast.duration_us(psdu) + 16 + cell.control.duration_us(32), abs=1e-9
    )
    assert waiting_us(cell, (1500,) * 10) == 2 * access_us(cell)  # one transmission, two hops
    # 5,484 us at 65 Mbit/s hold 44,264 bytes: 28 frames of 1,556 and their delimiters
    assert waiting_us(cell, (1500,) * 28) == 2 * access_us(cell)
    assert waiting_us(cell, (1500,) * 29) == 4 * access_us(cell)
    assert waiting_us(cell_of(link(Standard.AX, 1201)), (100,) * 65) == 4 * access_us(
        cell_of(link(Standard.AX))
    )


def test_beacons_and_held_multicast():
    # 100 time units of 1,024 us (IEEE 802.11-2020, 3.1 and 11.1.3); 250 bytes at 6 Mbit/s: 85 symbols
    cell = legacy(54)
    assert beacon_share(cell) == pytest.approx((20 + 85 * 4 + 34) / 102_400)
    assert multicast_hold_us(cell) == (51_200, 102_400)
    assert multicast_hold_us(replace(cell, dtim=3)) == (153_600, 307_200)
    assert multicast_hold_us(legacy(54, access_point=False)) == (0, 0)
    assert beacon_share(legacy(54, access_point=False)) == 0


sizes = st.lists(st.integers(28, 1500), min_size=1, max_size=80)
rates = st.floats(1, 2000)
standards = st.sampled_from(list(Standard))


@given(standards, rates, rates, sizes, st.booleans())
def test_a_better_link_never_takes_more_air(standard, one, other, packets, many):
    slow, fast = (cell_of(link(standard, mbps)) for mbps in sorted((one, other)))
    assume(fast.unicast.preamble_us <= slow.unicast.preamble_us)  # more streams need more training
    assume(fast.control.rate_bps >= slow.control.rate_bps)  # a wider channel at a lower coding answers slower
    symbols = 2 * len(packets) * fast.unicast.symbol_us  # what rounding up can cost
    assert hops_us(fast, packets, many=many) <= hops_us(slow, packets, many=many) + symbols


@given(standards, rates, sizes, st.integers(0, 79))
def test_more_bytes_or_packets_never_take_less_air(standard, mbps, packets, cut):
    cell = cell_of(link(standard, mbps))
    fewer = packets[: max(1, len(packets) - cut)]
    assert hops_us(cell, fewer) <= hops_us(cell, packets) + 1e-6
    assert waiting_us(cell, fewer) <= waiting_us(cell, packets) + 1e-6
    assert hops_us(cell, [s + 1 for s in fewer]) >= hops_us(cell, fewer) - 1e-6
