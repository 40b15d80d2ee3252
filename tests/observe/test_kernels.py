"""The fold kernels: compiled, uncompiled, and a naive twin that keeps sets of numbers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.observe.captures import captures, truths
from tests.observe.folding import shard_of, state, uncompiled
from tests.observe.made import READER, acknack, block, data, gap, heartbeat, listing, piece
from toprung.observe import records
from toprung.observe.flows import dialogues_of, samples_of
from toprung.observe.shards import Shard
from toprung.observe.tables import Folds
from toprung.wire.block import Tables
from toprung.wire.columns import MessageFlag
from toprung.wire.scan import Scan

MS = 1_000_000


@pytest.fixture(params=["compiled", "uncompiled"])
def fold(request):
    """Folds blocks, either way."""

    def run(*blocks):
        if request.param == "compiled":
            return named(shard_of(blocks))
        with uncompiled():
            return named(shard_of(blocks))

    return run


def named(shard):
    shard.tables = Tables()
    shard.tables.addresses += ["10.77.1.1", "10.77.1.2", "10.77.1.3"]
    shard.tables.prefixes += [b"writer-side-", b"reader-side-"]
    return shard


def datagrams(*subs, step_ns=100 * MS):
    """One datagram a submessage, evenly spaced."""
    return block(*(({"time_ns": 1_000 * MS + i * step_ns}, [sub]) for i, sub in enumerate(subs)))


def only(shard):
    (samples,) = samples_of(shard, frozenset())
    return samples


def test_whole_missing_and_repeated_samples(fold):
    seen = only(fold(datagrams(data(1), data(2), data(2), data(5), data(4))))
    assert (seen.whole, seen.missing, seen.repeats, seen.partial) == (4, 1, 1, 0)
    assert (seen.first_sequence, seen.last_sequence) == (1, 5)


def test_a_hole_is_marked_until_it_is_filled(fold):
    assert [m.packet for m in only(fold(datagrams(data(1), data(3)))).holes] == [2]
    assert only(fold(datagrams(data(1), data(3), data(2)))).holes == ()


def test_the_same_number_elsewhere_is_no_repeat(fold):
    """Fast DDS sends each sample to every announced address."""
    shard = fold(block(({}, [data(1)]), ({"target": 3}, [data(1)])))
    assert [(s.destination, s.whole, s.repeats) for s in samples_of(shard, frozenset())] == [
        ("10.77.1.2", 1, 0),
        ("10.77.1.3", 1, 0),
    ]


def test_forwarded_samples_come_in_and_go_out(fold):
    way = [{"flags": MessageFlag.INCOMING, "interface": 2}, {"flags": MessageFlag.OUTGOING, "interface": 3}]
    seen = samples_of(fold(block(*((w, [data(n)]) for n in (1, 2) for w in way))), frozenset())
    assert sorted((s.outgoing, s.whole, s.repeats) for s in seen) == [(False, 2, 0), (True, 2, 0)]


def test_multicast_on_two_interfaces_counts_once(fold):
    ways = [{"flags": MessageFlag.OUTGOING | MessageFlag.MULTICAST, "interface": i} for i in (2, 3)]
    seen = only(fold(block(*((w, [data(n)]) for n in (1, 2, 3) for w in ways))))
    assert (seen.whole, seen.repeats, seen.multicast, seen.outgoing) == (3, 0, True, True)


def test_a_gap_excuses_what_it_names(fold):
    seen = only(fold(datagrams(data(1), gap(2, 5), data(5), gap(6, 9), gap(6, 9))))
    assert (seen.whole, seen.missing, seen.excused, seen.last_sequence) == (2, 0, 3, 5)


def test_a_gap_does_not_excuse_what_it_does_not_name(fold):
    seen = only(fold(datagrams(data(1), gap(3, 4), data(5))))
    assert (seen.missing, seen.excused) == (2, 1)


@pytest.mark.parametrize("order", ["little", "big"])
def test_a_gap_excuses_what_its_list_names(fold, order):
    """Bit 0 is the most significant bit of the first word (DDSI-RTPS 2.5, 9.4.2.6)."""
    bits = "0110" + "0" * 30 + "11"
    seen = only(fold(datagrams(data(1), listing(2, 3, bits, order), data(40))))
    assert (seen.excused, seen.missing) == (5, 33)  # 2, 4, 5, 37 and 38 of 2 .. 39


def test_a_gap_for_another_reader_excuses_nothing(fold):
    seen = only(fold(datagrams(data(1, reader=READER), gap(2, 4, reader=0x204), data(4, reader=READER))))
    assert (seen.missing, seen.excused) == (2, 0)


def test_history_before_the_first_sample_is_not_missed(fold):
    """A transient-local writer resends what it kept after the live sample: 1 and 2 of 1 .. 9."""
    seen = only(fold(datagrams(data(10), data(1), data(2), data(11))))
    assert (seen.whole, seen.missing, seen.first_sequence) == (4, 0, 1)


def test_a_datagram_with_a_hole_makes_its_last_sample_partial(fold):
    cut = {"flags": MessageFlag.INCOMPLETE | MessageFlag.FRAGMENTED}
    shard = fold(block((cut, [data(1), data(2)]), ({}, [data(3)])))
    seen = only(shard)
    assert (seen.whole, seen.partial, seen.missing) == (2, 1, 0)


def test_a_datagram_given_up_late_is_not_the_last_one(fold):
    """What never became whole is handed out behind later ones, with its own time."""
    late = ({"time_ns": 1_050 * MS, "flags": MessageFlag.INCOMPLETE}, [data(2)])
    early = ({"time_ns": 900 * MS, "flags": MessageFlag.INCOMPLETE}, [data(6)])
    usual = [({"time_ns": (1_000 + n * 100) * MS}, [data(n)]) for n in (1, 3, 4, 5)]
    seen = only(fold(block(*usual, late, early)))
    assert (seen.tally.first.time_ns, seen.tally.last.time_ns) == (900 * MS, 1_500 * MS)
    assert (seen.tally.first.packet, seen.tally.last.packet) == (6, 4)


def test_a_partial_sample_that_comes_again_whole(fold):
    cut = {"flags": MessageFlag.INCOMPLETE}
    seen = only(fold(block(({}, [data(1)]), (cut, [data(2)]), ({}, [data(2)]))))
    assert (seen.whole, seen.partial, seen.repeats) == (2, 0, 0)


def test_samples_in_fragments(fold):
    pieces = [piece(1, n) for n in (1, 3, 2, 4)] + [piece(2, n) for n in (1, 2, 4)] + [piece(3, 1, 4)]
    seen = only(fold(datagrams(*pieces)))
    assert (seen.whole, seen.partial, seen.fragments, seen.payload_bytes) == (2, 1, 4, 4000)


def test_a_sample_in_fragments_is_as_old_as_its_stamp_says_when_its_last_fragment_comes(fold):
    """Only the first fragment's message carries the stamp; a datagram comes every 100 ms from 1 s on."""
    pieces = [piece(1, 1, source_time_ns=990 * MS), *(piece(1, n) for n in (2, 3, 4))]
    seen = only(fold(datagrams(*pieces)))
    assert (seen.whole, seen.age.count, seen.age.least) == (1, 1, 0.31)


def test_more_unfinished_samples_than_slots_leave_holes(fold):
    started = [piece(n, 1) for n in range(1, records.ASSEMBLY_SLOTS + 3)]
    seen = only(fold(datagrams(*started)))
    assert (seen.partial, seen.whole, len(seen.holes)) == (records.ASSEMBLY_SLOTS + 2, 0, 2)


def test_rate_inter_arrival_and_age(fold):
    subs = [data(n, source_time_ns=1_000 * MS + n * 100 * MS - 3 * MS) for n in range(50)][1:]
    seen = only(fold(datagrams(*[data(0), *subs])))
    assert seen.rate_hz == pytest.approx(10.0)
    assert seen.between.p50 == pytest.approx(0.1, rel=0.031)
    assert seen.age.p50 == pytest.approx(0.003, rel=0.031)
    assert (seen.between.least, seen.between.most, seen.age.most) == (0.1, 0.1, 0.003)


@pytest.mark.parametrize("offset_s", [-3.5, 0.0, 86_400.0])
def test_ages_stay_sharp_however_far_the_clocks_are_apart(fold, offset_s):
    offset = int(offset_s * 1e9)
    subs = [data(n, source_time_ns=1_000 * MS + (n - 1) * 100 * MS - offset - n * MS) for n in range(1, 11)]
    seen = only(fold(datagrams(*subs)))
    assert seen.age.p50 == pytest.approx(offset_s + 0.005, abs=0.0006)


def test_samples_and_jumps_beyond_any_window(fold):
    seen = only(fold(datagrams(data(1), data(1 << 40), data(2), gap(5, 1 << 61), data(1 << 62))))
    assert (seen.whole, seen.repeats) == (3, 1)
    assert seen.missing + seen.excused == (1 << 62) - 3


def talks(shard):
    return {(d.writer.entity, d.reader.prefix, d.reader.entity): d for d in dialogues_of(shard)}


def test_answers_are_timed_from_the_first_demand(fold):
    to = {"addressee": 2, "reader": READER}
    subs = [heartbeat(3, 1, **to), heartbeat(3, 2, **to), acknack(4, 1), heartbeat(4, 3, **to)]
    (found,) = talks(fold(datagrams(*subs))).values()
    assert (found.heartbeats.count, found.acknacks.count, found.written_upto) == (3, 1, 4)
    assert (found.acknowledged_below, found.unanswered, found.unanswered_s) == (4, 1, 0.0)
    assert found.answer.most == pytest.approx(0.2)


def test_final_heartbeats_demand_nothing(fold):
    (found,) = talks(fold(datagrams(heartbeat(1, 1, final=True, addressee=2, reader=READER)))).values()
    assert (found.unanswered, found.heartbeats.count) == (0, 1)


def test_heartbeats_to_any_reader_belong_to_those_that_answer(fold):
    subs = [heartbeat(1, 1, addressee=2), acknack(1, 1, named=1), heartbeat(2, 2, addressee=2), acknack(3, 2)]
    (found,) = talks(fold(datagrams(*subs))).values()
    assert (found.reader.entity, found.heartbeats.count, found.asked_again) == (READER, 2, 1)
    assert (found.unanswered, found.acknowledged_below) == (0, 3)


def test_multicast_heartbeats_reach_every_dialogue(fold):
    """Copies of one heartbeat, known by its count, are one; the first column is a dialogue with nobody."""
    subs = [acknack(1, 1), acknack(1, 1, sender=1, addressee=1), heartbeat(5, 1), heartbeat(5, 1)]
    found = talks(fold(datagrams(*subs)))
    assert sorted((key[1], d.heartbeats.count) for key, d in found.items()) == [
        (b"", 1),
        (b"reader-side-", 1),
        (b"writer-side-", 1),
    ]


def test_heartbeats_that_nobody_answers_are_a_dialogue_with_nobody(fold):
    (found,) = talks(fold(datagrams(heartbeat(1, 1), heartbeat(1, 2)))).values()
    assert (found.reader.prefix, found.unanswered, found.acknacks) == (b"", 2, None)


NUMBERS = st.integers(1, 40) | st.integers(1, 20_000)
SUBMESSAGES = st.one_of(
    st.builds(data, NUMBERS, reader=st.sampled_from([0, READER]), source_time_ns=st.integers(0, 10**10)),
    st.builds(lambda first, n: gap(first, first + n), NUMBERS, st.integers(0, 6000)),
    st.builds(piece, st.integers(1, 12), st.integers(1, 5), st.integers(1, 3)),
    st.builds(heartbeat, NUMBERS, st.integers(0, 5), addressee=st.sampled_from([0, 2])),
    st.builds(acknack, NUMBERS, st.integers(0, 5), st.integers(0, 2)),
)
MESSAGES = st.fixed_dictionaries(
    {
        "flags": st.sampled_from([0, 1, 4, 16, 32, 64, 128, 130, 134]),
        "interface": st.integers(0, 2),
        "target": st.integers(1, 2),
        "print": st.integers(0, 2**64 - 1),
        "time_ns": st.integers(0, 10**12),
    }
)
BLOCKS = st.lists(st.tuples(MESSAGES, st.lists(SUBMESSAGES, min_size=1, max_size=4)), min_size=1, max_size=25)


@settings(max_examples=40, deadline=None)
@given(st.lists(BLOCKS, min_size=1, max_size=2))
def test_compiled_and_uncompiled_hold_the_same(blocks):
    made = [block(*datagrams) for datagrams in blocks]
    one = state(shard_of(made).folds)
    with uncompiled():
        other = state(shard_of(made).folds)
    for name, held in one.items():
        np.testing.assert_equal(held, other[name], name)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 3000), min_size=1, max_size=80), st.sets(st.integers(1, 3000), max_size=3))
def test_counts_equal_those_of_a_naive_twin(numbers, gaps):
    """Sets of numbers instead of windows, on streams that fit the window."""
    subs = [data(n) for n in numbers]
    subs[len(subs) // 2 : len(subs) // 2] = [gap(g, g + 5) for g in sorted(gaps)]
    seen = only(named(shard_of([datagrams(*subs)])))
    before, after = set(numbers[: len(numbers) // 2]), numbers[len(numbers) // 2 :]
    excused = {g + i for g in gaps for i in range(5) if before}
    here = set(numbers)
    expected = set(range(numbers[0], max(here) + 1)) if after or before else set()
    excused = {n for n in excused if n in expected} - here
    assert (seen.whole, seen.repeats) == (len(here), len(numbers) - len(here))
    assert (seen.excused, seen.missing) == (len(excused), len(expected - here - excused))


@pytest.mark.parametrize("case", sorted(truths())[:1])
def test_compiled_and_uncompiled_agree_on_a_real_capture(case):
    if not truths():
        pytest.skip("NOT CHECKED: no captures with known truth")
    capture = min(captures(case).values(), key=len)

    def run():
        scan = Scan(capture)
        shard = Shard(0, "real", None, scan.tables, Folds(True))
        for one in scan.blocks():
            shard.feed(one)
        return state(shard.folds)

    one = run()
    with uncompiled():
        other = run()
    for name, held in one.items():
        np.testing.assert_equal(held, other[name], name)
