"""Clock offset, drift and delays from made-up exchanges, against RFC 5905's arithmetic one by one."""

from __future__ import annotations

import random

import pytest
from tests.diagnose.made_probes import results

from toprung.forecast.clocks import reading
from toprung.live.probing.ask import row_results
from toprung.live.probing.checks import Row
from toprung.live.probing.messages import Pong, Report
from toprung.live.probing.prober import Came

START_NS = 1_800_000_000_000_000_000


def exchanges(count, offset_s, drift_ppm=0.0, rate_hz=400.0, queue_s=0.001, seed=3):
    """Each way takes 0.2 ms and a random time in queues; the far clock is ahead, and gains."""
    rng, came = random.Random(seed), []
    for n in range(count):
        t1 = n / rate_hz
        arrive = t1 + 0.0002 + rng.expovariate(1 / queue_s)
        leave = arrive + 0.00005
        t4 = leave + 0.0002 + rng.expovariate(1 / queue_s)

        def far(t):
            return START_NS + round((t + offset_s + t * drift_ppm * 1e-6) * 1e9)

        pong = Pong(1, n, 0, 1, START_NS + round(t1 * 1e9), far(arrive), far(leave))
        came.append(Came(pong, START_NS + round(t4 * 1e9), 76, None, 0))
    return tuple(came)


def measured(came, sent=None, **report):
    counts = {"received": len(came), "whole": len(came), "answered": len(came), "refused": 0, "unsendable": 0}
    said = Report(1, **{**counts, "overflowed": 0, "bytes": 0, **report})
    return row_results(results(), Row(sent or len(came), said, came))[0]


@pytest.mark.parametrize("offset_s", [0.0, 0.0123, -2.5, 86400.0])
def test_the_offset_is_within_its_bound_and_no_single_exchange_is_better(offset_s):
    came = exchanges(2000, offset_s)
    clock = measured(came).clock
    assert abs(clock.offset_s - offset_s) <= clock.error_s < 0.0004
    stamps = [(c.pong.sent_ns, c.pong.received_ns, c.pong.returned_ns, c.back_ns) for c in came]
    each = (reading(*((t - START_NS) / 1e9 for t in four)) for four in stamps)
    best = min(each, key=lambda r: r.delay_s)
    assert clock.error_s <= best.bound_s + 1e-6
    assert best.least_s - 1e-6 <= clock.offset_s <= best.greatest_s + 1e-6


@pytest.mark.parametrize("drift_ppm", [-80.0, 0.0, 35.0])
def test_drift_is_told_from_five_seconds_on(drift_ppm):
    assert measured(exchanges(1000, 0.1, drift_ppm)).clock.drift_ppm is None
    found = measured(exchanges(8000, 0.1, drift_ppm, queue_s=0.0002)).clock.drift_ppm
    assert found == pytest.approx(drift_ppm, abs=3)


def test_delays_are_free_of_the_clocks_difference():
    found = measured(exchanges(2000, 3.0))
    for way in found.ways:
        assert way.train.delay.least == pytest.approx(0.0002, abs=0.00005)
        assert way.train.delay.p50 == pytest.approx(0.0002 + 0.001 * 0.693, abs=0.0001)  # ln 2: the median
    assert found.round_trip.least == pytest.approx(0.0004, abs=0.0001)


def test_losses_are_counted_each_way_and_what_a_socket_lost_is_not_the_paths():
    came = exchanges(900, 0.0)
    found = measured(came, sent=1000, received=940, answered=930, refused=10, overflowed=20)
    assert found.there.train.loss == pytest.approx(0.04)
    assert found.back.train.loss == pytest.approx(30 / 930)
    assert any("10 datagrams less" in remark for remark in found.remarks)


def test_nothing_that_came_back_is_no_clock():
    found = measured((), sent=10, received=10, answered=10)
    assert (found.clock, found.round_trip, found.there.train.delay) == (None, None, None)
    assert (found.there.train.loss, found.back.train.loss) == (0, 1)
