"""What loss adds to reliable streams: messages as traced between real peers at 5 % loss of packets."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.forecast.profile import profile_of
from toprung.forecast.reliable import NOTHING, Upkeep
from toprung.forecast.repairs import Lossy, repairs_of
from toprung.model.site import Middleware

CYCLONE, FAST = (profile_of(m).data for m in (Middleware.CYCLONE, Middleware.FAST))


def added(data, size, rate, upkeep=NOTHING, loss=0.05):
    found = list(repairs_of(Lossy(size, rate, loss, 1500), data, upkeep, data.acknack_message_bytes))
    return [a for a in found if not a.answer], [a for a in found if a.answer]


def test_a_small_sample_repeated_by_cyclone():
    # 720 B: the sample with INFO_DST and a heartbeat in 824 bytes; asked for in 68, acknowledged in 64
    repeats, answers = added(CYCLONE, 720, 20)
    assert [(a.payload_bytes, a.rate_hz) for a in repeats] == [(824, pytest.approx(20 * 0.05 / 0.95))]
    assert [(a.payload_bytes, a.rate_hz) for a in answers] == [(68, pytest.approx(1)), (64, pytest.approx(1))]


def test_a_sample_repeated_in_fragments():
    # 2,880 B at 10 Hz: 1428 with a heartbeat alone of 68, asked on in 100, then 1416 and 296
    upkeep = Upkeep(10, 0, 10)  # its plain answers take the place of those that were due
    repeats, answers = added(CYCLONE, 2880, 10, upkeep)
    assert sorted(a.payload_bytes for a in repeats) == [68, 296, 1416, 1428]
    assert [a.payload_bytes for a in answers] == [100]
    lost = 10 * (1 - 0.95**3)  # three IP packets
    assert [a.rate_hz for a in answers] == pytest.approx([lost])
    assert sum(a.rate_hz for a in repeats) == pytest.approx(lost * (3 / 0.95 + 1))


def test_samples_repeated_together_by_fast():
    # 2,880 B at 10 Hz, an answer a second: 14 % lost, 1 + 9 * 0.14 of them in one message, which is lost, too
    repeats, answers = added(FAST, 2880, 10, Upkeep(1, 0, 1))
    lost = 1 - 0.95**3
    batch = 1 + 9 * lost
    assert [a.payload_bytes for a in repeats] == [int(96 + batch * (2880 + 36))]
    packets = 5  # of 6,780 bytes
    assert repeats[0].rate_hz == pytest.approx(10 * lost / batch / 0.95**packets)
    assert [a.payload_bytes for a in answers] == [128]


def test_fragments_are_asked_for_by_number():
    repeats, answers = added(CYCLONE, 100_000, 2)
    assert {a.payload_bytes for a in repeats} == {1416}
    assert sum(a.rate_hz for a in repeats) == pytest.approx(
        2 * (7 * 10 + 4.5) * (1 - 0.95**10) / 0.95, rel=0.03
    )
    assert [a.payload_bytes for a in answers] == [100, 64]
    repeats, _ = added(FAST, 100_000, 2, Upkeep(2, 0, 2))
    assert [a.payload_bytes for a in repeats] == [65_468, 34_820]
    assert max(a.rate_hz for a in repeats) < 2 * 16  # at last newer samples take their place


def test_without_loss_nothing_is_added():
    assert added(CYCLONE, 720, 20, loss=0.0) == ([], [])


@given(
    st.sampled_from([CYCLONE, FAST]),
    st.integers(8, 300_000),
    st.floats(0.001, 0.5),
    st.floats(0, 0.4),
    st.sampled_from([NOTHING, Upkeep(2, 0.3, 1)]),
)
def test_more_loss_never_adds_less(data, size, loss, more, upkeep):
    def octets(loss):
        return sum(a.payload_bytes * a.rate_hz for part in added(data, size, 10, upkeep, loss) for a in part)

    assert octets(min(1.0, loss + more)) >= octets(loss) * (1 - 1e-3)


@pytest.mark.parametrize(
    ("size", "carrying_ms", "repeated"),
    [
        (120_000, 0.99, 0),
        (120_000, 9.89, 0),
        (1_000_000, 8.4, 6.4),
        (300_000, 8.24, 1.3),
        (300_000, 24.7, 6.5),
        (300_000, 82.4, 10),
        (1_000_000, 82.4, 77),
    ],
)
def test_a_great_sample_on_a_slow_link_is_asked_for_too_early(size, carrying_ms, repeated):
    # messages that Fast DDS sent beyond the needed ones, mean of 5 to 12 samples on links from 30 Mbit/s up
    lossy = Lossy(size, 1.0, 0.0, 1500, carrying_ms / 1e3)
    found = [a.rate_hz for a in repairs_of(lossy, FAST, Upkeep(1, 0, 1), 124) if not a.answer]
    assert sum(found) == pytest.approx(repeated, rel=0.2, abs=0.3)
