"""Sizes of a sample's messages, as real libraries sent them, byte for byte.

The tables hold what was captured from Cyclone DDS 11.0.1 and Fast DDS 2.9.1 (tests/live/data_check.py runs
them again).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.forecast.frames import (
    Way,
    fragments_of,
    heartbeat_payload,
    is_cut,
    messages_of,
    payloads_of,
    sample_messages,
)
from toprung.forecast.profile import profile_of
from toprung.forecast.reliable import upkeep_of
from toprung.model.qos import Durability, History, Qos
from toprung.model.site import OFFERED, Middleware, StatedQos

CYCLONE, FAST = (profile_of(m).data for m in (Middleware.CYCLONE, Middleware.FAST))
BEST, RELIABLE, BEATEN = Way(), Way(True), Way(True, True)

CAPTURED = [
    (CYCLONE, BEST, {48: [104], 720: [776], 1340: [1396], 1345: [1404], 2880: [2936], 13_440: [13_496]}),
    (CYCLONE, BEST, {13_441: [13_548], 14_500: [14_604], 14_616: [14_720], 14_617: [13_508, 1236]}),
    (CYCLONE, BEST, {26_880: [13_508, 13_496], 28_000: [13_508, 14_652], 28_100: [13_508, 13_496, 1276]}),
    (CYCLONE, BEST, {65_325: [13_508, 13_496, 13_496, 13_496, 11_624]}),
    (CYCLONE, BEATEN, {48: [136], 1340: [1428], 2880: [2968], 13_440: [13_528], 13_441: [13_608]}),
    (CYCLONE, BEATEN, {14_556: [14_720], 14_560: [14_692, 52], 14_588: [14_720, 52], 14_592: [13_536, 1240]}),
    (CYCLONE, BEATEN, {20_000: [13_536, 6648], 28_000: [13_536, 14_712], 28_020: [13_536, 14_700, 52]}),
    (CYCLONE, BEATEN, {28_060: [13_536, 13_524, 1268], 100_000: [13_536, *[13_524] * 6, 6008]}),
    (FAST, BEST, {48: [180], 720: [852], 1340: [1472], 1345: [1480], 13_441: [13_576], 20_000: [20_132]}),
    (FAST, BEST, {65_320: [65_452], 65_324: [65_456]}),
    (FAST, RELIABLE, {65_325: [65_468, 148], 100_000: [65_468, 34_820]}),
    (FAST, BEATEN, {64_000: [64_164], 65_325: [65_500, 180], 100_000: [65_500, 34_852]}),
    (FAST, BEATEN, {300_000: [*[65_500] * 4, 38_880], 1_000_000: [*[65_500] * 15, 20_316]}),
    (FAST, Way(to_many=True), {100: [216]}),
    (FAST, Way(True, True, True), {100: [248]}),
    (CYCLONE, Way(True, True, True), {100: [188]}),
]


@pytest.mark.parametrize(("data", "way", "captured"), CAPTURED)
def test_messages_as_captured(data, way, captured):
    assert {size: list(payloads_of(size, data, way)) for size in captured} == captured


def test_heartbeats_as_captured():
    assert [heartbeat_payload(d, many) for d in (CYCLONE, FAST) for many in (False, True)] == [
        68,
        68,
        128,
        112,
    ]


def test_packets_of_a_sample():
    # 48 B on Cyclone: 104 of RTPS, 28 of UDP and IP, 14 of Ethernet
    sent = sample_messages(48, CYCLONE, BEST, 1500)
    assert (sent.packets, sent.ip_bytes, sent.link_bytes) == ((132,), 132, 146)
    # a message of 65,500 bytes: 44 packets of 1,500 and a last one (RFC 791)
    great = sample_messages(65_324, FAST, BEATEN, 1500)
    assert len(great.packets) == 45
    assert great.ip_bytes == 65_456 + 32 + 8 + 45 * 20
    assert messages_of((1472, 1473), 1500).packets == (1500, 1500, 21)


def test_fragments():
    assert [fragments_of(n, CYCLONE) for n in (13_440, 13_441, 100_000)] == [1, 11, 75]
    assert [fragments_of(n, FAST) for n in (65_324, 65_325, 921_600)] == [1, 2, 15]


@given(
    st.sampled_from([CYCLONE, FAST]),
    st.builds(Way, st.booleans(), st.booleans(), st.booleans()),
    st.integers(4, 3_000_000),
)
def test_messages_hold_the_sample_and_keep_the_limit(data, way, size):
    made = payloads_of(size, data, way)
    assert size < sum(made) < size * 1.05 + 250 + 250 * (size // 65_324)
    assert max(made) <= data.message_bytes
    assert is_cut(size, data) or len(made) == 1
    assert sum(payloads_of(size + 4, data, way)) > sum(made)


def kept(depth, durability=Durability.VOLATILE, history=History.KEEP_LAST):
    return StatedQos(Qos(history_depth=depth, history=history, durability=durability), frozenset({"history"}))


# heartbeats carried, alone, and answers of one reader, each a second, over 12 s of real traffic
@pytest.mark.parametrize(
    ("data", "offered", "size", "rate", "carried", "alone", "answers"),
    [
        (CYCLONE, OFFERED, 100, 2, 2.0, 0, 2.0),
        (CYCLONE, OFFERED, 100, 12, 12.0, 0, 12.0),
        (CYCLONE, OFFERED, 100, 13, 13.0, 0, 0.0),
        (CYCLONE, OFFERED, 3000, 200, 200, 0, 0),
        (CYCLONE, kept(1), 20_000, 5, 5, 0, 5),
        (FAST, OFFERED, 100, 1, 0, 0.33, 0.33),
        (FAST, OFFERED, 100, 10, 0.33, 0.33, 0.67),
        (FAST, OFFERED, 100, 20, 1.0, 0.33, 1.33),
        (FAST, OFFERED, 3000, 50, 3.0, 0.33, 3.35),
        (FAST, OFFERED, 3000, 100, 6.0, 0.33, 6.37),
        (FAST, kept(1), 100, 5, 5.0, 0.33, 5.0),
        (FAST, kept(1), 20_000, 100, 100, 0.33, 100),
        (FAST, kept(16, Durability.TRANSIENT_LOCAL), 100, 20, 20, 0.33, 20),
        (FAST, kept(1000), 1000, 50, 0.33, 0.33, 0.67),
        (FAST, kept(1000), 10_000, 20, 1.67, 0.33, 2.0),
        (FAST, kept(1000), 10_000, 50, 4.4, 0.33, 4.7),
        (FAST, kept(1000), 30_000, 50, 12.4, 0.33, 12.7),
        (FAST, kept(1000), 50_000, 20, 6.8, 0.33, 6.6),
    ],
)
def test_upkeep_as_captured(data, offered, size, rate, carried, alone, answers):
    found = upkeep_of(rate, size, offered, data, False)
    assert found.carried_hz == pytest.approx(carried, rel=0.03, abs=0.03)
    assert found.alone_hz == pytest.approx(alone, abs=0.01)
    assert found.answers_hz == pytest.approx(answers, rel=0.03, abs=0.03)


def test_upkeep_of_nothing():
    assert upkeep_of(0.0, 100, OFFERED, FAST, False).answers_hz == 0
    everything = kept(1, history=History.KEEP_ALL)
    assert upkeep_of(1.0, 100, everything, FAST, False).carried_hz == 0
