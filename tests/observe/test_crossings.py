"""The same datagrams in two views: made-up loss, delays and clocks, against what was put in."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.observe.captures import picture, truths
from tests.observe.folding import shard_of
from tests.observe.made import block, data
from toprung.observe.clocks import clock_pair, clocks_of
from toprung.observe.crossings import book_of, crossings_of, lag_s, passages
from toprung.wire.block import Tables
from toprung.wire.columns import MessageFlag

MS = 1_000_000
START = 1_000_000 * MS
BASE, DESK, GROUP = "10.77.1.1", "10.77.1.2", "239.255.0.1"


def view_of(index, datagrams):
    """A shard of (time, print, source, target, more) datagrams."""
    addresses = ["", BASE, DESK, GROUP]
    rows = [
        (
            {
                "time_ns": t,
                "print": mark,
                "source": addresses.index(source),
                "target": addresses.index(target),
                **more,
            },
            [data(1)],
        )
        for t, mark, source, target, more in datagrams
    ]
    shard = shard_of([block(*rows)])
    shard.view, shard.tables = index, Tables()
    shard.tables.addresses += addresses[1:]
    return shard


def cross(sent, lost=(), delay_ns=2 * MS, offset_ns=0, edge_ns=200 * MS):
    """Two views of datagrams; the desk's clock is `offset_ns` ahead, and `lost` prints never reach it."""
    there = [(t + delay_ns + offset_ns, m, s, d, more) for t, m, s, d, more in sent if m not in lost]
    shards = [view_of(0, sent), view_of(1, there)]
    first, last = sent[0][0], sent[-1][0]
    spans = [(first - edge_ns, last + edge_ns), (first - edge_ns + offset_ns, last + edge_ns + offset_ns)]
    book = book_of(shards, spans)
    found = passages(book, [frozenset({BASE}), frozenset({DESK})])
    return book, found, crossings_of(book, found)


def steady(n, target=DESK, **more):
    return [(START + i * 10 * MS, 1000 + i, BASE, target, {"size": 100 + i, **more}) for i in range(n)]


def test_nothing_lost():
    _, _, (found,) = cross(steady(50))
    assert (found.sent, found.arrived, found.first_lost, found.smallest_lost_bytes) == (50, 50, None, 0)
    assert found.delay.p50 == pytest.approx(0.002)
    assert (found.source, found.destination, found.multicast) == (BASE, DESK, False)


@settings(max_examples=30, deadline=None)
@given(st.sets(st.integers(1000, 1049), max_size=40), st.integers(-10_000, 10_000))
def test_every_lost_datagram_is_missed_whatever_the_clocks_say(lost, offset_ms):
    _, _, (found,) = cross(steady(50), lost, offset_ns=offset_ms * MS, edge_ns=20_000 * MS)
    assert found.arrived == 50 - len(lost)
    assert found.sent == 50
    assert found.smallest_lost_bytes == (100 + min(lost) - 1000 if lost else 0)
    if lost:
        assert (found.first_lost.packet, found.last_lost.packet) == (min(lost) - 999, max(lost) - 999)
        assert found.between == max(lost) - min(lost) + 1 - len(lost)


def test_edges_of_the_common_time_are_left_out():
    """The receiver's capture began late: what was sent before is not lost."""
    sent = steady(100)
    there = [(t + 2 * MS, m, s, d, x) for t, m, s, d, x in sent[60:]]
    book = book_of(
        [view_of(0, sent), view_of(1, there)], [(sent[0][0], sent[-1][0]), (there[0][0], there[-1][0])]
    )
    (found,) = crossings_of(book, passages(book, [frozenset({BASE}), frozenset({DESK})]))
    assert found.sent == found.arrived
    assert 15 <= found.sent < 40


def test_identical_datagrams_are_matched_in_their_order():
    """The same announcement every 3 s, one of them lost: its successors do not take its place."""
    sent = [(START + i * 3000 * MS, 7, BASE, GROUP, {"flags": MessageFlag.MULTICAST}) for i in range(6)]
    sent += [(START + i * 500 * MS, 100 + i, BASE, DESK, {}) for i in range(30)]
    sent.sort()
    there = [
        (t + MS, m, s, d, x)
        for i, (t, m, s, d, x) in enumerate(sent)
        if not (m == 7 and t == START + 6000 * MS)
    ]
    spans = [(START - 200 * MS, START + 20_000 * MS)] * 2
    book = book_of([view_of(0, sent), view_of(1, there)], spans)
    found = crossings_of(book, passages(book, [frozenset({BASE}), frozenset({DESK})]))
    multicast = next(c for c in found if c.multicast)
    assert (multicast.sent, multicast.arrived, multicast.first_lost.time_ns) == (6, 5, START + 6000 * MS)
    assert multicast.delay.most == pytest.approx(0.001)


def test_a_datagram_with_a_hole_did_not_arrive():
    flags = MessageFlag.FRAGMENTED
    sent = steady(10, flags=flags)
    there = [
        (t + MS, m, s, d, {**x, "flags": flags | (MessageFlag.INCOMPLETE if m == 1004 else 0)})
        for t, m, s, d, x in sent
    ]
    spans = [(START - 200 * MS, START + 400 * MS)] * 2
    book = book_of([view_of(0, sent), view_of(1, there)], spans)
    (found,) = crossings_of(book, passages(book, [frozenset({BASE}), frozenset({DESK})]))
    assert (found.sent, found.arrived, found.fragmented) == (10, 9, True)


def test_views_of_one_machine_do_not_cross():
    book = book_of([view_of(0, steady(5)), view_of(1, steady(5))], [(START, START + 100 * MS)] * 2)
    assert passages(book, [frozenset({BASE}), frozenset({BASE})]) == []


def test_thinned_prints_still_match(monkeypatch):
    monkeypatch.setattr("toprung.observe.records.PRINTS", 64)
    rng = np.random.default_rng(5)
    marks = rng.integers(1, 2**63, 1000).tolist()
    sent = [(START + i * MS, m, BASE, DESK, {}) for i, m in enumerate(marks)]
    _, _, (found,) = cross(sent, lost=set(marks[::2]))
    assert 10 < found.sent <= 64
    assert 0.2 < found.arrived / found.sent < 0.8


def test_lag_tells_who_saw_it_first():
    book, _, _ = cross(steady(20))
    assert lag_s(book, 0, 1, BASE) == pytest.approx(0.002)
    assert lag_s(book, 1, 0, BASE) == pytest.approx(-0.002)
    assert lag_s(book, 0, 1, "10.9.9.9") is None


def both_ways(rng, offset_ns, drift_ppm, seconds=60):
    """Delays of 1 ms and a random queue, both ways; the other clock runs ahead by offset and drift."""
    sent = np.sort(rng.integers(0, seconds * 10**9, 600))
    ahead = offset_ns + sent * drift_ppm / 1e6
    queue = rng.exponential(3 * MS, (2, len(sent)))
    there = (sent, (MS + queue[0] + ahead).astype(np.int64))
    back = ((sent + ahead).astype(np.int64), (MS + queue[1] - ahead).astype(np.int64))
    return there, back


@pytest.mark.parametrize(("offset_s", "drift_ppm"), [(0.0, 0.0), (-3.5, 0.0), (120.0, 40.0), (0.002, -25.0)])
def test_offset_and_drift_of_two_clocks(offset_s, drift_ppm):
    """RFC 5905, section 8: offset from the least delays; the error is half of the least round trip."""
    pair = clock_pair(0, 1, *both_ways(np.random.default_rng(2), int(offset_s * 1e9), drift_ppm))
    assert abs(pair.offset_s - offset_s) < pair.error_s + abs(drift_ppm) * 60e-6
    assert 0.001 <= pair.error_s < 0.0015
    assert pair.drift_ppm == pytest.approx(drift_ppm, abs=8)


def test_one_way_traffic_gives_no_clock():
    _, found, _ = cross(steady(20))
    assert clocks_of(found) == ()


@pytest.mark.parametrize("case", [c for c in ("h_cyc_cart", "h_fast_cart", "h_mix_cart1") if c in truths()])
def test_nothing_is_lost_between_neighbours_of_a_healthy_cart(case):
    seen = picture(case)
    for c in seen.crossings:
        if not c.multicast:
            assert c.arrived == c.sent, c
            assert c.delay.p95 < 0.005, c
