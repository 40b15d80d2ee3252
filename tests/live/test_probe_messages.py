"""The probe's protocol without sockets: what opens, what is refused, what is answered."""

from __future__ import annotations

import hashlib
import hmac
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from toprung.live.probing import messages
from toprung.live.probing.counting import MOST_DELAYS, WINDOW, Tally, Thinned, Window
from toprung.live.probing.keys import LETTERS, fingerprint, first_keys, new_key, normal, session_keys
from toprung.live.probing.limits import Limits, bucket
from toprung.live.probing.messages import (
    Ask,
    Beacon,
    Bye,
    Flag,
    Hello,
    Ping,
    Pong,
    Report,
    Welcome,
    opened,
    sealed,
)
from toprung.live.probing.responder import Arrival, Door, Moment, Post, Responder
from toprung.live.probing.search import greatest

KEY = "7KQ2M-9XH4T-ABCDE-12345"
SECRET = b"k" * 32
HOST, OWN = "10.77.1.1", "10.77.1.2"
NONCE = bytes(range(16))
OFFER = Welcome(bytes(16), bytes(16), 9160, 9161, 9150, 9151, 15, 4000, 30_000_000, 0, 300, (OWN,), "base")

u16, u32 = st.integers(0, 2**16 - 1), st.integers(0, 2**32 - 1)
i64, u64 = st.integers(-(2**63), 2**63 - 1), st.integers(0, 2**64 - 1)
nonces = st.binary(min_size=16, max_size=16)
octet = st.integers(0, 255)
addresses = st.tuples(octet, octet, octet, octet).map(lambda a: ".".join(map(str, a)))
pings = st.builds(
    Ping, u32, u32, st.integers(0, 9), st.integers(10, 2**16 - 1), i64, u16, u16, st.sampled_from(list(Flag))
)
bodies = st.one_of(
    st.builds(Hello, nonces, u32, u16, st.binary(min_size=4, max_size=4)),
    st.builds(
        Welcome, nonces, nonces, u16, u16, u16, u16, octet, u32, u32, u32, u16,
        st.lists(addresses, max_size=16).map(tuple), st.text("abc-é", max_size=20),
    ),
    pings,
    st.builds(Pong, u32, u32, u16, u16, i64, i64, i64),
    st.builds(Ask, u32),
    st.builds(Report, u32, u32, u32, u32, u32, u32, u32, u64, i64, i64, i64, i64, i64),
    st.builds(
        Beacon, u64, st.lists(st.tuples(st.binary(min_size=8, max_size=8), octet), max_size=8).map(tuple)
    ),
    st.just(Bye()),
)  # fmt: skip


# octets


@given(bodies, st.binary(min_size=8, max_size=8), u64, st.integers(600, 2000))
def test_what_is_sealed_opens_with_the_same_key_only(body, session, number, size):
    octets = sealed(body, SECRET, session, number, size)
    found = opened(octets, SECRET)
    assert (found.body, found.session, found.number, found.size_bytes) == (body, session, number, size)
    assert len(octets) == size
    assert opened(octets, b"j" * 32) is None


@given(st.binary(max_size=200))
def test_any_octets_are_refused_without_a_word(octets):
    assert opened(octets, SECRET) is None


@given(st.integers(1, 8), octet, st.binary(max_size=300))
@settings(max_examples=300)
def test_sealed_nonsense_never_raises(kind, flags, rest):
    """Even who has the key cannot stop the other side with a body that contradicts itself."""
    size = messages.FIXED + len(rest)
    start = messages.HEADER.pack(messages.MAGIC, kind, flags, size, bytes(8), 1) + rest
    found = opened(start + hmac.digest(SECRET, start, hashlib.sha256)[:16], SECRET)
    assert found is None or found.size_bytes == size


@pytest.mark.parametrize(
    "body",
    [Hello(NONCE, 1, 7, b"\x0a\x4d\x01\x02"), OFFER, Ping(1, 2, 0, 1, 5), Beacon(5, ((bytes(8), 1),)), Bye()],
)
def test_cut_or_changed_at_any_octet_it_is_refused(body):
    octets = sealed(body, SECRET)
    for at in range(len(octets)):
        assert opened(octets[:at], SECRET) is None
        changed = bytearray(octets)
        changed[at] ^= 0x40
        assert opened(bytes(changed), SECRET) is None


def test_the_seal_is_the_left_half_of_hmac_sha256():
    """RFC 4231, test case 2 (from memory); the seal is cut as RFC 2104, section 5, allows."""
    whole = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert hmac.digest(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hex() == whole
    octets = sealed(Bye(), b"Jefe")
    assert octets[-16:] == hmac.digest(b"Jefe", octets[:-16], hashlib.sha256)[:16]


def test_a_welcome_fits_into_a_hello():
    assert messages.WELCOME_BYTES <= messages.HELLO_BYTES
    largest = replace(OFFER, addresses=("10.0.0.1",) * 30, name="x" * 200)
    assert len(sealed(largest, SECRET)) == messages.WELCOME_BYTES


# keys


def test_keys_are_told_apart_and_read_however_typed():
    key = new_key()
    assert len(normal(key)) == 20
    assert set(normal(key)) <= set(LETTERS)
    assert new_key() != key
    assert normal("o7kq2m 9xh4t-abcde-I2l45") == "07KQ2M9XH4TABCDE12145"
    assert normal(f" {key.lower()}\n") == normal(key)
    made = {first_keys(KEY).asking, first_keys(KEY).answering, *vars_of(session_keys(KEY, NONCE, bytes(16)))}
    assert len(made) == 4
    assert fingerprint(KEY) != fingerprint(key)
    with pytest.raises(ValueError, match="at least 16"):
        normal("short")


def vars_of(session):
    return session[1].asking, session[1].answering


# counting


@given(st.lists(st.integers(0, 3 * WINDOW), max_size=200))
def test_a_number_is_accepted_once(numbers):
    window, seen, highest = Window(), set(), -1
    for number in numbers:
        fresh = number not in seen and number > highest - WINDOW
        assert window.fresh(number) == fresh
        seen.add(number)
        highest = max(highest, number)


@given(st.lists(st.integers(-(10**9), 10**9), min_size=1, max_size=300))
def test_extremes_and_quantiles_of_few_values_are_exact(values):
    kept = Thinned()
    for value in values:
        kept.add(value)
    least, p05, p50, p95, most = kept.quantiles()
    assert (least, most) == (min(values), max(values))
    assert [p05, p50, p95] == [sorted(values)[int(q * len(values))] for q in (0.05, 0.5, 0.95)]


def test_of_many_values_an_even_choice_is_kept():
    kept = Thinned()
    for value in range(100_000):
        kept.add(value)
    assert len(kept.kept) <= MOST_DELAYS
    assert kept.quantiles() == pytest.approx((0, 5000, 50000, 95000, 99999), abs=50)


def test_a_sample_is_whole_when_every_part_came():
    tally = Tally()
    for sample, part in ((0, 0), (0, 1), (1, 1), (2, 0), (2, 1), (1, 0), (3, 0)):
        tally.count(Ping(1, sample, part, 2, 0), 100, 5, overflow=3)
    tally.count(Ping(1, 4, 0, 1, 0), 100, 5, overflow=7)
    assert (tally.received, tally.whole, tally.bytes, tally.overflowed) == (8, 4, 800, 4)


@given(st.integers(76, 65507), st.integers(76, 65507), st.integers(76, 65507))
def test_the_greatest_size_is_found_to_the_byte(least, limit, most):
    found = greatest(least, most, lambda size: size <= limit)
    if most < least:
        assert found is None
    elif limit >= most:
        assert (found.passed_bytes, found.lost_bytes) == (most, None)
    elif limit < least:
        assert (found.passed_bytes, found.lost_bytes) == (None, least)
    else:
        assert (found.passed_bytes, found.lost_bytes) == (limit, limit + 1)
    assert greatest(least, most, lambda size: None) is None


# the server's decisions


def responder(**limits):
    post = Post(KEY, 7, frozenset({OWN, "127.0.0.1"}), OFFER)
    return Responder(post, Limits(**limits), lambda: b"s" * 16)


def arrival(host=HOST, door=Door.DISCOVERY, at=1_000):
    return Arrival(host, 40000, door, at)


def hello(attempt=0, nonce=NONCE, target=b"\x0a\x4d\x01\x02", size=messages.HELLO_BYTES, domain=7):
    return sealed(Hello(nonce, attempt, domain, target), first_keys(KEY).asking, size_bytes=size)


NOW = Moment(2_000, 10.0)


def begun(made):
    """A session's name and keys, and the welcome."""
    answer = made.feed(hello(), arrival(), NOW)
    welcome = opened(answer.octets, first_keys(KEY).answering)
    name, keys = session_keys(KEY, NONCE, welcome.body.nonce)
    assert name == welcome.session
    return name, keys


def ping(keys, name, number, size=100, **fields):
    body = Ping(1, number, 0, 1, 500, **{"reply_port": 9160, "reply_bytes": size, **fields})
    return sealed(body, keys.asking, name, number, size)


def test_a_ping_is_answered_with_the_four_stamps_and_no_more_octets():
    made = responder()
    name, keys = begun(made)
    answer = made.feed(ping(keys, name, 1), arrival(at=1_500), Moment(2_500, 10.0))
    pong = opened(answer.octets, keys.answering).body
    assert (pong.sent_ns, pong.received_ns, pong.returned_ns) == (500, 1_500, 2_500)
    assert (answer.host, answer.port, answer.door, len(answer.octets)) == (HOST, 9160, Door.DISCOVERY, 100)
    fresh = made.feed(ping(keys, name, 2, flags=Flag.FRESH | Flag.WHOLE), arrival(), NOW)
    assert (fresh.door, fresh.whole, fresh.group) == (None, True, False)
    group = made.feed(ping(keys, name, 3, flags=Flag.GROUP, reply_port=9150), arrival(), NOW)
    assert (group.group, group.port) == (True, 9150)


def test_a_replay_gets_silence():
    made = responder()
    name, keys = begun(made)
    once = ping(keys, name, 1)
    assert made.feed(once, arrival(), NOW) is not None
    assert made.feed(once, arrival(), NOW) is None
    assert made.feed(hello(), arrival(), NOW) is None
    assert made.feed(hello(1), arrival(), NOW) is not None  # the prober repeats itself
    assert made.feed(hello(1), arrival(), NOW) is None
    made.feed(sealed(Bye(), keys.asking, name, 2), arrival(), NOW)
    assert made.feed(hello(2), arrival(), NOW) is None  # that session is over
    assert made.feed(ping(keys, name, 3), arrival(), NOW) is None


def test_what_comes_from_elsewhere_or_is_for_another_machine_gets_silence():
    made = responder()
    assert made.feed(hello(target=b"\x0a\x4d\x01\x03"), arrival(), NOW) is None
    assert made.feed(hello(domain=8), arrival(), NOW) is None
    name, keys = begun(made)
    assert made.feed(ping(keys, name, 1), arrival("10.77.1.66"), NOW) is None
    assert made.feed(hello(1), arrival("10.77.1.66"), NOW) is None
    assert made.feed(ping(keys, name, 1), arrival(), NOW) is not None
    wrong = sealed(Ping(1, 0, 0, 1, 0, 0, 100), keys.answering, name, 9, 100)  # our own key, sent back
    assert made.feed(wrong, arrival(), NOW) is None


def test_an_answer_is_never_larger_than_its_request():
    made = responder()
    assert made.feed(hello(size=messages.HELLO_BYTES - 1), arrival(), NOW) is None
    name, keys = begun(made)
    body = Ping(1, 0, 0, 1, 0, 0, 400)
    assert made.feed(sealed(body, keys.asking, name, 1, 399), arrival(), NOW) is None
    assert made.feed(sealed(body, keys.asking, name, 2, 400), arrival(), NOW) is not None
    assert made.feed(sealed(Ask(1), keys.asking, name, 3), arrival(), NOW) is None
    enough = sealed(Ask(1), keys.asking, name, 4, messages.REPORT_BYTES)
    report = opened(made.feed(enough, arrival(), NOW).octets, keys.answering).body
    assert (report.received, report.answered) == (2, 1)


def test_answers_are_bounded_in_rate_sessions_and_time():
    made = responder(answers_per_s=40, sessions=1, session_s=30, session_idle_s=5.0)
    name, keys = begun(made)
    answered = [made.feed(ping(keys, name, n), arrival(), NOW) is not None for n in range(1, 101)]
    assert sum(answered) == 9  # a quarter of a second's, less the welcome
    later = Moment(0, 11.0)
    assert made.feed(ping(keys, name, 200), arrival(), later) is not None
    assert made.feed(hello(nonce=b"n" * 16), arrival(), later) is None
    assert made.active(later)
    assert not made.active(Moment(0, 17.0))
    assert made.feed(hello(nonce=b"n" * 16), arrival(), Moment(0, 17.0)) is not None


def test_answers_by_multicast_are_few_and_small():
    made = responder()
    name, keys = begun(made)
    asked = [ping(keys, name, n, flags=Flag.GROUP) for n in range(1, 61)]
    assert sum(made.feed(octets, arrival(), NOW) is not None for octets in asked) == 25
    later = Moment(0, 20.0)
    assert made.feed(ping(keys, name, 61, 512, flags=Flag.GROUP), arrival(), later) is not None
    assert made.feed(ping(keys, name, 62, 513, flags=Flag.GROUP), arrival(), later) is None


def test_a_beacon_names_whom_the_server_heard():
    made = responder()
    begun(made)
    made.feed(hello(1), arrival(door=Door.DISCOVERY_GROUP), NOW)
    beacon = opened(made.beacon(NOW), first_keys(KEY).answering).body
    assert beacon.heard == ((NONCE[:8], 3),)
    assert opened(made.beacon(Moment(0, 60.0)), first_keys(KEY).answering).body.heard == ()


@given(st.data())
@settings(max_examples=200)
def test_mutated_requests_never_raise_and_get_no_answer(data):
    made = responder()
    name, keys = begun(made)
    good = data.draw(st.sampled_from([hello(5), ping(keys, name, 7), sealed(Bye(), keys.asking, name, 8)]))
    bad = bytearray(good)
    for _ in range(data.draw(st.integers(1, 5))):
        bad[data.draw(st.integers(0, len(bad) - 1))] = data.draw(octet)
    bad = bytes(bad[: data.draw(st.integers(0, len(bad)))]) + data.draw(st.binary(max_size=5))
    if bad != good:
        assert made.feed(bad, arrival(door=data.draw(st.sampled_from(list(Door)))), NOW) is None


def test_a_bucket_gives_its_rate():
    rng, made, taken, now = random.Random(5), bucket(100, 1), 0, 0.0
    while now < 60:
        now += rng.expovariate(400)
        taken += made.take(1, now)
    assert taken == pytest.approx(100 * 60 + 25, abs=5)
