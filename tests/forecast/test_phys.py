"""Durations of frames: published known values, and the modes that rates of site files mean."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.forecast.phys import HE, HT, VHT, dsss, ladder, mode, modes, nearest, ofdm
from toprung.model.site import Standard

# "Known durations" of a public 802.11 test (nsnam/ns-3-dev-git, src/wifi/test/tx-duration-test.cc), which
# cites IEEE 802.11-2007 Table 18-2 for CCK.  Whole frames in microseconds.
KNOWN = [
    (dsss(11e6, short=True), {1024: 841}),
    (dsss(11e6), {1024: 937, 14: 203, 76: 248, 1536: 1310}),
    (dsss(5.5e6, short=True), {1024: 1586}),
    (dsss(5.5e6), {1024: 1682}),
    (dsss(2e6, short=True), {1024: 4192}),
    (dsss(2e6), {1024: 4288}),
    (dsss(1e6), {1024: 8384, 14: 304}),
    (ofdm(54e6), {1536: 248, 76: 32, 14: 24}),
    (ofdm(54e6, 6.0), {1536: 254, 76: 38, 14: 30}),
    (mode(HT, 20, 7), {1536: 228, 76: 48, 14: 40}),
    (mode(HT, 20, 0, guard_us=0.4), {1536: 1742.4, 76: 126, 14: 57.6}),
    (mode(HT, 20, 6, guard_us=0.4), {1536: 226.8, 76: 46.8, 14: 39.6}),
    (mode(HT, 40, 7), {1536: 128, 76: 44, 14: 40}),
    (mode(HT, 40, 7, guard_us=0.4), {1536: 118.8, 76: 43.2, 14: 39.6}),
    (mode(HE, 20, 0), {1536: 1485.6, 76: 125.6, 14: 71.2}),
    (mode(HE, 20, 0, guard_us=1.6), {1536: 1570.4, 76: 130.4, 14: 72.8}),
    (mode(HE, 20, 0, guard_us=3.2), {1536: 1740, 76: 140, 14: 76}),
    (mode(HE, 40, 0), {1536: 764.8, 76: 84.8, 14: 57.6}),
    (mode(HE, 80, 0), {1536: 397.6, 76: 71.2, 14: 57.6}),
    (mode(HE, 20, 11), {1536: 139.2, 76: 57.6, 14: 57.6}),
    (mode(HE, 80, 11), {1536: 71.2, 76: 57.6, 14: 57.6}),
]
# The same test's VHT values leave out the 4 us of VHT-SIG-B that the standard has (21.3.2).
WITHOUT_SIG_B = [
    (mode(VHT, 20, 8), {1536: 196, 76: 48, 14: 40}),
    (mode(VHT, 40, 9), {1536: 108, 76: 40, 14: 40}),
    (mode(VHT, 80, 0), {1536: 460, 76: 60, 14: 44}),
    (mode(VHT, 80, 9), {1536: 68, 76: 40, 14: 40}),
    (mode(VHT, 160, 8), {1536: 56, 76: 40, 14: 40}),
]


@pytest.mark.parametrize(("one", "known"), KNOWN, ids=lambda x: getattr(x, "name", ""))
def test_known_durations(one, known):
    assert {size: pytest.approx(one.duration_us(size)) for size in known} == known


@pytest.mark.parametrize(("one", "known"), WITHOUT_SIG_B, ids=lambda x: getattr(x, "name", ""))
def test_known_durations_of_vht_and_its_fourth_field(one, known):
    assert {size: one.duration_us(size) - 4 for size in known} == known


def test_cck_payload_only():
    # IEEE 802.11-2007 Table 18-2: 1023, 1024, 1025, 1026 bytes at 11 Mbit/s
    assert [dsss(11e6).duration_us(n) - 192 for n in (1023, 1024, 1025, 1026)] == [744, 745, 746, 747]


@pytest.mark.parametrize(
    ("rate_mbps", "us"), [(6, 44), (9, 36), (12, 32), (18, 28), (24, 28), (36, 24), (48, 24), (54, 24)]
)
def test_acknowledgements(rate_mbps, us):
    # 14 bytes after IEEE 802.11-2020, 17.4.3 (TXTIME), computed by hand
    assert ofdm(rate_mbps * 1e6).duration_us(14) == us


@pytest.mark.parametrize(
    ("family", "width", "mcs", "bits"),
    [
        (HT, 20, 0, 26),
        (HT, 20, 7, 260),
        (HT, 40, 7, 540),
        (VHT, 20, 8, 312),
        (VHT, 40, 9, 720),
        (VHT, 80, 0, 117),
        (VHT, 80, 9, 1560),
        (VHT, 160, 8, 2808),
        (HE, 20, 0, 117),
        (HE, 20, 11, 1950),
        (HE, 40, 11, 3900),
        (HE, 80, 11, 8166),
        (HE, 160, 11, 16333),
    ],
)
def test_bits_per_symbol(family, width, mcs, bits):
    # IEEE 802.11-2020 19.5, 21.5; 802.11ax-2021 27.5 (the tables' N_DBPS)
    assert mode(family, width, mcs).bits_per_symbol == bits


def test_preambles():
    # HT mixed: 36, 40 us for one and two streams; VHT 40, HE 44 for one (19.3.2, 21.3.2, 27.3.4)
    assert [mode(HT, 20, 0, n).preamble_us for n in (1, 2)] == [36, 40]
    assert (mode(VHT, 20, 0).preamble_us, mode(HE, 20, 0).preamble_us) == (40, 44)


@pytest.mark.parametrize(
    ("standard", "low", "mbps", "name"),
    [
        (Standard.AC, False, 65, "VHT20 MCS 7, 1 stream, guard 0.8 us"),
        (Standard.AC, False, 433, "VHT80 MCS 9, 1 stream, guard 0.4 us"),
        (Standard.N, False, 65, "HT20 MCS 7, 1 stream, guard 0.8 us"),
        (Standard.N, True, 150, "HT40 MCS 7, 1 stream, guard 0.4 us"),
        (Standard.N, True, 1, "DSSS 1 Mbit/s"),
        (Standard.AC, False, 6, "OFDM 6 Mbit/s"),
        (Standard.AX, False, 1201, "HE160 MCS 11, 1 stream, guard 0.8 us"),
        (Standard.G, True, 54, "OFDM 54 Mbit/s"),
        (Standard.G, True, 5.5, "DSSS 5.5 Mbit/s"),
        (Standard.A, False, 50, "OFDM 48 Mbit/s"),
        (Standard.A, False, 1, "OFDM 6 Mbit/s"),
        (Standard.B, True, 54, "DSSS 11 Mbit/s"),
    ],
)
def test_nearest_mode(standard, low, mbps, name):
    assert nearest(ladder(standard, low), mbps * 1e6).name == name


@given(st.sampled_from(list(Standard)), st.floats(1e5, 1e10), st.floats(1e5, 1e10))
def test_a_faster_rate_never_means_a_slower_mode(standard, one, other):
    steps = ladder(standard, False) if standard not in (Standard.B, Standard.G) else ladder(standard, True)
    slow, fast = sorted((one, other))
    assert nearest(steps, slow).rate_bps <= nearest(steps, fast).rate_bps
    if slow >= steps[-1][0].rate_bps:
        assert nearest(steps, slow).rate_bps <= slow * 1.005


@given(st.sampled_from(modes(HT) + modes(VHT) + modes(HE)), st.integers(1, 60_000), st.integers(1, 5_000))
def test_more_bytes_never_take_less_time(one, size, more):
    assert one.duration_us(size) <= one.duration_us(size + more)
