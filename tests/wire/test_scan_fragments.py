"""IP fragments to datagrams (RFC 791, 3.2; RFC 8200, 4.5)."""

from __future__ import annotations

import random
import struct
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.wire import frames
from tests.wire.frames import data, ethernet, ipv4, ipv6, message, pcap, record, udp
from tests.wire.rows import Seen, read, uncompiled
from toprung.wire.columns import MessageFlag

PAYLOAD = b"\0\1\0\0" + random.Random(1).randbytes(3000)
MESSAGE = message(data(1), data(2, PAYLOAD))
DATAGRAM = udp(MESSAGE)
SECOND = 10**9


def pieces(
    datagram: bytes = DATAGRAM, size: int = 1000, ident: int = 1, source: str = frames.SOURCE
) -> list[bytes]:
    """Ethernet frames of a datagram in IPv4 fragments."""
    return [
        ethernet(
            ipv4(datagram[at : at + size], source, ident=ident, place=at, more=at + size < len(datagram))
        )
        for at in range(0, len(datagram), size)
    ]


def timed(*steps: tuple[int, bytes]) -> Seen:
    """A scan of frames at given times, compiled and uncompiled alike."""
    octets = pcap(*(record(frame, time_ns, unit=1) for time_ns, frame in steps), unit=1)
    seen = read(octets)
    assert seen == read(octets, uncompiled())
    return seen


def spaced(*parts: bytes) -> Seen:
    return timed(*((SECOND + i * 1000, frame) for i, frame in enumerate(parts)))


@pytest.mark.parametrize("order", list(permutations(range(4))))
def test_any_order(order: tuple[int, ...]) -> None:
    parts = pieces()
    seen = spaced(*(parts[i] for i in order))
    (row,) = seen.messages
    assert row["datagram"] == MESSAGE
    assert row["flags"] == MessageFlag.FRAGMENTED | MessageFlag.DATA
    assert (row["fragments"], row["packet"], row["time_ns"]) == (4, 4, SECOND + 3000)
    assert (row["wire_bytes"], row["size"]) == (sum(map(len, parts)), len(MESSAGE))
    assert [s["payload"] for s in seen.submessages] == [b"\0\1\0\0abcd", PAYLOAD]
    assert seen.summary.headless == 0


def test_the_fingerprint_is_that_of_the_unfragmented_datagram() -> None:
    whole = spaced(ethernet(ipv4(DATAGRAM))).messages[0]["print"]
    assert spaced(*pieces()).messages[0]["print"] == whole
    assert spaced(*pieces()[:2]).messages[0]["print"] == whole


def test_duplicates_are_ignored() -> None:
    parts = pieces()
    seen = spaced(parts[0], parts[0], parts[1], parts[3], parts[2], parts[3], parts[1])
    assert [m["datagram"] for m in seen.messages] == [MESSAGE]
    assert seen.summary.headless == 0


def test_overlapping_pieces() -> None:
    """What came first stays."""
    evil = ethernet(ipv4(bytes(1600), place=800, more=True))
    seen = spaced(pieces()[0], pieces()[1], evil, *pieces()[2:])
    assert seen.messages[0]["datagram"][:1992] == MESSAGE[:1992]
    shifted = [
        ethernet(ipv4(DATAGRAM[at : at + 1200], place=at, more=at + 1200 < len(DATAGRAM)))
        for at in range(0, len(DATAGRAM), 800)
    ]
    seen = spaced(*shifted)
    assert [m["datagram"] for m in seen.messages] == [MESSAGE]


def test_interleaved_senders_and_identifications() -> None:
    other = udp(message(data(5, PAYLOAD[:2500])))
    mixed = [
        p for group in zip(pieces(), pieces(ident=2), pieces(source="10.77.9.9"), strict=True) for p in group
    ]
    seen = spaced(*mixed, *pieces(other, ident=3))
    assert [m["datagram"] for m in seen.messages] == [MESSAGE] * 3 + [other[8:]]


@pytest.mark.parametrize(("age_s", "joined"), [(29, True), (31, False)])
def test_patience(age_s: int, joined: bool) -> None:
    """A datagram that is not whole after 30 s is let go, and its late pieces are a headless one."""
    first, *rest = pieces()
    seen = timed((SECOND, first), *((SECOND + age_s * SECOND, part) for part in rest))
    assert [bool(m["flags"] & MessageFlag.INCOMPLETE) for m in seen.messages] == [not joined]
    assert seen.summary.headless == (0 if joined else 1)


def test_an_incomplete_datagram_shows_its_head() -> None:
    seen = spaced(pieces()[0], pieces()[1], pieces()[3])
    (row,) = seen.messages
    assert row["flags"] == MessageFlag.FRAGMENTED | MessageFlag.INCOMPLETE | MessageFlag.DATA
    assert row["datagram"] == MESSAGE[:1992]
    assert (row["size"], row["fragments"]) == (len(MESSAGE), 3)
    assert [(s["sequence"], len(s["payload"])) for s in seen.submessages] == [
        (1, 8),
        (2, 1992 - 20 - 32 - 24),
    ]
    assert seen.summary.malformed == {}


def test_without_a_head_nobody_knows_whose_it_is() -> None:
    seen = spaced(*pieces()[1:])
    assert (seen.messages, seen.summary.headless) == ([], 1)


def test_an_identification_used_again() -> None:
    other = udp(message(data(9, PAYLOAD)))
    seen = spaced(*pieces()[:2], *pieces(other))
    assert [(m["datagram"], m["flags"] & MessageFlag.INCOMPLETE) for m in seen.messages] == [
        (MESSAGE[:1992], MessageFlag.INCOMPLETE),
        (other[8:], 0),
    ]


def test_a_cut_piece_leaves_a_cut_datagram() -> None:
    parts = pieces()
    steps = [record(p if i != 2 else p[:100], length=len(p)) for i, p in enumerate(parts)]
    (row,) = read(pcap(*steps)).messages
    assert row["flags"] & (MessageFlag.CUT | MessageFlag.INCOMPLETE) == MessageFlag.CUT
    assert row["datagram"] == MESSAGE[: 1992 + 66]


def test_impossible_pieces_are_counted() -> None:
    odd = ethernet(ipv4(bytes(7), place=8, more=True))
    beyond = ethernet(ipv4(bytes(900), place=65_000))
    words = "IP fragment of impossible place or length"
    assert spaced(odd, beyond).summary.malformed == {words: 2}
    two_ends = spaced(
        *pieces(), ethernet(ipv4(bytes(8), place=8, ident=7)), ethernet(ipv4(bytes(8), place=80, ident=7))
    )
    assert two_ends.summary.malformed == {words: 1}


def test_ipv6_pieces() -> None:
    def piece(at: int, more: bool) -> bytes:
        head = struct.pack(">BBHI", 17, 0, at | more, 77)
        options = b"\x2c\0" + bytes(6)  # a destination options header before the fragment header
        return ethernet(ipv6(options + head + DATAGRAM[at : at + 1200], protocol=60), 0x86DD)

    seen = spaced(piece(1200, True), piece(2400, False), piece(0, True))
    assert [m["datagram"] for m in seen.messages] == [MESSAGE]


def test_many_unfinished_datagrams_stay_bounded() -> None:
    """The oldest gives way, with what was there of it."""
    heads = [pieces(ident=i)[0] for i in range(1, 1301)]
    seen = spaced(*heads)
    assert len(seen.messages) == 1300
    assert all(m["flags"] & MessageFlag.INCOMPLETE for m in seen.messages)
    assert sorted(m["packet"] for m in seen.messages) == list(range(1, 1301))


def test_other_protocols_in_fragments_are_none_of_ours() -> None:
    seen = spaced(
        *pieces(udp(b"NFS!" + bytes(3000))), ethernet(ipv4(bytes(64), head=frames.Ip4(protocol=6), more=True))
    )
    assert (seen.messages, seen.summary.malformed, seen.summary.headless) == ([], {}, 0)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 3), st.integers(0, 40), st.integers(1, 40), st.booleans()), max_size=30)
)
def test_any_pieces_are_joined_alike(parts: list[tuple[int, int, int, bool]]) -> None:
    spaced(
        *(
            ethernet(ipv4(DATAGRAM[8 * at : 8 * (at + n)], ident=i, place=8 * at, more=m))
            for i, at, n, m in parts
        )
    )
