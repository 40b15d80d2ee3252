"""Ethernet and USB against published rates."""

import pytest

from toprung.forecast.wired import (
    ETHERNET,
    FULL_SPEED,
    HIGH_SPEED,
    USB,
    bulk_bytes_per_s,
    frames_per_s,
    udp_goodput_bps,
)

# RFC 5180, Appendix A: frames a second at 10M, 100M, 1G, 10G.  Printed there as 30,396 for 4096 bytes at
# 100M, 303,691 at 10G and 13,534 for 9216 at 1G, which its own formula contradicts: not taken.
RFC_5180 = {
    64: (14_880, 148_809, 1_488_095, 14_880_952),
    128: (8_445, 84_459, 844_594, 8_445_945),
    256: (4_528, 45_289, 452_898, 4_528_985),
    512: (2_349, 23_496, 234_962, 2_349_624),
    1024: (1_197, 11_973, 119_731, 1_197_318),
    1280: (961, 9_615, 96_153, 961_538),
    1518: (812, 8_127, 81_274, 812_743),
    1522: (810, 8_106, 81_063, 810_635),
    2048: (604, 6_044, 60_444, 604_448),
    8192: (152, 1_522, 15_221, 152_216),
}


@pytest.mark.parametrize("size", RFC_5180)
def test_frame_rates(size):
    assert tuple(int(frames_per_s(rate, size)) for rate in (1e7, 1e8, 1e9, 1e10)) == RFC_5180[size]


@pytest.mark.parametrize(
    ("payload", "mbps"), [(18, 21.43), (64, 49.23), (256, 79.50), (512, 88.58), (1024, 93.95), (1472, 95.709)]
)
def test_udp_goodput_of_fast_ethernet(payload, mbps):
    # 95.7 % for 1,472 bytes: Jun et al. 2003 in a public goodput table; the others by the same sum, by hand
    assert udp_goodput_bps(100e6, payload) / 1e6 == pytest.approx(mbps, abs=0.006)


def test_bytes_on_ethernet():
    assert [ETHERNET.occupied_bytes(n) for n in (20, 46, 100, 188, 1500)] == [84, 84, 138, 226, 1538]


@pytest.mark.parametrize(
    ("speed", "packet", "rate"),
    [
        (FULL_SPEED, 64, 1_216_000),
        (FULL_SPEED, 32, 1_056_000),
        (FULL_SPEED, 16, 816_000),
        (FULL_SPEED, 8, 568_000),
        (HIGH_SPEED, 512, 53_248_000),
    ],
)
def test_usb_bulk(speed, packet, rate):
    # USB 2.0, Tables 5-9 and 5-10 (from memory; 19 x 64 and 13 x 512 also in public USB tutorials)
    assert bulk_bytes_per_s(speed, packet) == rate


def test_usb_blocks():
    # CDC NCM 1.0: NTH16 12 bytes, NDP16 16 bytes for one datagram; Ethernet header 14, no FCS (from memory)
    assert USB.occupied_bytes(76) == 76 + 14 + 12 + 16
