"""RTPS messages to submessage rows: DDSI-RTPS 2.5, clauses 8.3.4 to 8.3.8 and 9.4."""

from __future__ import annotations

import shutil
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import toprung
from tests.wire import frames
from tests.wire.frames import (
    OTHER,
    PREFIX,
    capture,
    data,
    ethernet,
    heartbeat,
    ipv4,
    message,
    number,
    sub,
    udp,
)
from tests.wire.rows import Seen, gather, read, uncompiled
from toprung.wire.columns import NO_TIME, MessageFlag
from toprung.wire.faults import Fault
from toprung.wire.ids import Sub
from toprung.wire.scan import Scan

WHO = struct.pack(">II", 0x107, 0x102)  # reader and writer


def scan(*subs: bytes) -> Seen:
    return read(capture(ethernet(ipv4(udp(message(*subs))))))


def only(*subs: bytes) -> dict[str, object]:
    """The last row of a message whose submessages are all sound."""
    seen = scan(*subs)
    assert seen.summary.malformed == {}
    return seen.submessages[-1]


def of(row: dict[str, object], names: str) -> list[object]:
    return [row[name] for name in names.split()]


@pytest.mark.parametrize("order", ["<", ">"])
def test_data(order: str) -> None:
    row = only(data(0x0011223344556677, b"\0\1\0\0rest", order=order))
    assert of(row, "kind reader writer sequence") == [Sub.DATA, 0, 0x103, 0x0011223344556677]
    assert of(row, "payload inline inline_length sender addressee") == [b"\0\1\0\0rest", b"", 0, PREFIX, b""]
    assert row["source_time_ns"] == NO_TIME


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("flags", [0, 4, 8])
def test_inline_qos_ends_where_the_payload_begins(order: str, flags: int) -> None:
    qos = struct.pack(order + "HH", 0x70, 16) + bytes(16) + struct.pack(order + "HHI", 0x71, 4, 1)
    qos += struct.pack(order + "HH", 1, 0)
    row = only(data(1, b"key" if flags else b"", qos, order=order, flags=flags))
    assert of(row, "inline payload inline_length") == [qos, b"key" if flags else b"", len(qos)]


@pytest.mark.parametrize("order", ["<", ">"])
def test_data_frag(order: str) -> None:
    """9.4.5.5; octetsToInlineQos is 28."""
    head = struct.pack(order + "HH", 0, 28) + WHO + number(5, order)
    body = head + struct.pack(order + "IHHI", 3, 2, 1000, 4500) + b"x" * 2000
    row = only(sub(Sub.DATA_FRAG, body, 0, order))
    assert of(row, "reader writer sequence fragment fragments fragment_size sample_size") == [
        0x107, 0x102, 5, 3, 2, 1000, 4500,
    ]  # fmt: skip
    assert row["payload"] == b"x" * 2000


@pytest.mark.parametrize("order", ["<", ">"])
def test_heartbeats(order: str) -> None:
    row = only(heartbeat(3, 1 << 40, 77, order=order, flags=2))
    assert of(row, "base sequence count writer") == [3, 1 << 40, 77, 0x103]
    assert only(heartbeat(1, 0, order=order))["sequence"] == 0  # nothing available (8.3.8.6.3)
    row = only(sub(Sub.HEARTBEAT_FRAG, WHO + number(5, order) + struct.pack(order + "II", 9, 3), 0, order))
    assert of(row, "reader writer sequence fragment count") == [0x107, 0x102, 5, 9, 3]


# Octets of sets as CHECKS gives them (little-endian), the numbers in them, and their bits
SETS = [
    ("000000002A00000000000000", 42, 0, []),
    ("00000000010000000100000000000080", 1, 1, [1]),
    ("0000000001000000190000000000C0FF", 1, 25, list(range(1, 11))),
    ("000000000A00000040000000FFFFFFFF0000E0FF", 10, 64, list(range(10, 53))),
]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(("octets", "base", "bits", "numbers"), SETS)
def test_number_sets(order: str, octets: str, base: int, bits: int, numbers: list[int]) -> None:
    """9.4.2.6: bit i of the set is bit 31 - i % 32 of word i / 32."""
    words = struct.unpack(f"<{len(octets) // 8}I", bytes.fromhex(octets))
    in_order = struct.pack(f"{order}{len(words)}I", *words)
    row = only(sub(Sub.ACKNACK, WHO + in_order + struct.pack(order + "I", 6), 2, order))
    assert of(row, "sequence extent named count") == [base, bits, len(numbers), 6]
    assert row["payload"] == in_order[12:]
    row = only(sub(Sub.GAP, WHO + number(2, order) + in_order, 0, order))
    assert of(row, "sequence base extent named") == [2, base, bits, len(numbers)]


def test_fragment_number_set() -> None:
    """CHECKS: base 1000, 14 bits, {1001, 1003, 1004, 1006, 1008, 1010, 1013}."""
    octets = bytes.fromhex("E80300000E0000000000A45A")
    row = only(sub(Sub.NACK_FRAG, WHO + number(8) + octets + struct.pack("<I", 4)))
    assert of(row, "sequence fragment extent named count") == [8, 1000, 14, 7, 4]


def test_bits_beyond_the_set_are_not_counted() -> None:
    body = WHO + number(1) + struct.pack("<III", 3, 0xFFFFFFFF, 1)
    assert only(sub(Sub.ACKNACK, body))["named"] == 3


@pytest.mark.parametrize(
    ("octets", "time_ns"),
    [
        ("F3739D5B00000000", 1_537_045_491 * 10**9),
        ("786E8C5A7EE02A4F", 1_519_152_760 * 10**9 + round(1_328_210_046 * 10**9 / 2**32)),
        ("01000000FFFFFFFF", 2 * 10**9),
        ("FFFFFFFFFFFFFFFF", NO_TIME),  # TIME_INVALID (9.3.2.1)
    ],
)
def test_source_times(octets: str, time_ns: int) -> None:
    stamp = bytes.fromhex(octets)
    assert only(sub(Sub.INFO_TS, stamp), data())["source_time_ns"] == time_ns
    swapped = stamp[3::-1] + stamp[:3:-1]
    assert only(sub(Sub.INFO_TS, swapped, 0, ">"), data())["source_time_ns"] == time_ns


def test_the_receiver_follows_the_message() -> None:
    """INFO_TS, INFO_DST, INFO_SRC change what the next submessages mean (8.3.8.7, 8.3.8.8, 8.3.8.9.5)."""
    stamp = sub(Sub.INFO_TS, struct.pack("<II", 5, 1 << 31))
    rows = scan(
        data(1),
        stamp,
        sub(Sub.INFO_DST, OTHER),
        data(2),
        sub(Sub.INFO_TS, b"", 2),
        data(3),
        stamp,
        sub(Sub.INFO_SRC, bytes(4) + b"\2\1\1\x10" + OTHER),
        data(4),
        sub(Sub.INFO_DST, bytes(12)),
        data(5),
    ).submessages
    state = [(r["source_time_ns"], r["addressee"], r["sender"]) for r in rows if r["kind"] == Sub.DATA]
    assert state == [
        (NO_TIME, b"", PREFIX),
        (5_500_000_000, OTHER, PREFIX),
        (NO_TIME, OTHER, PREFIX),
        (NO_TIME, OTHER, OTHER),
        (NO_TIME, b"", OTHER),
    ]
    assert all(r["reader"] == r["writer"] == 0 for r in rows if r["kind"] != Sub.DATA)


def test_length_zero_reaches_to_the_end() -> None:
    """9.4.5.1.3, but for PAD and INFO_TS."""
    rows = scan(
        sub(Sub.INFO_TS, b"", 2),
        sub(Sub.PAD, b""),
        data(9, b"\0\1\0\0tail")[:2] + b"\0\0" + data(9, b"\0\1\0\0tail")[4:],
    )
    assert [r["kind"] for r in rows.submessages] == [Sub.INFO_TS, Sub.PAD, Sub.DATA]
    assert rows.submessages[-1]["payload"] == b"\0\1\0\0tail"
    assert rows.summary.malformed == {}


def test_vendors_and_secured_submessages_are_passed_over() -> None:
    secured = [sub(kind, b"secrets!") for kind in range(0x30, 0x35)]
    seen = scan(sub(0x80, b"four"), *secured, sub(0x17, b"new one!"), sub(Sub.INFO_REPLY, bytes(4)), data(2))
    assert seen.summary.malformed == {}
    assert seen.summary.unreadable == 5
    assert [r["kind"] for r in seen.submessages] == [0x80, *range(0x30, 0x35), 0x17, Sub.INFO_REPLY, Sub.DATA]
    assert seen.submessages[0]["payload"] == b"four"


def test_a_message_behind_a_message() -> None:
    seen = read(capture(ethernet(ipv4(udp(message(data(1)) + message(data(2), prefix=OTHER))))))
    assert [(r["sequence"], r["sender"]) for r in seen.submessages] == [(1, PREFIX), (2, OTHER)]
    assert seen.summary.malformed == {}


def test_messages_tell_discovery_from_data() -> None:
    both = MessageFlag.DISCOVERY | MessageFlag.DATA
    flags = [
        scan(*subs).messages[0]["flags"] & both
        for subs in ((data(1, writer=0x100C2),), (data(1),), (heartbeat(1, 1, writer=0x3C2), data(1)), ())
    ]
    assert flags == [MessageFlag.DISCOVERY, MessageFlag.DATA, both, 0]


def test_a_crowd_of_submessages_comes_in_several_blocks() -> None:
    """The largest datagram holds 16,370 empty PADs: more than a few of those fill a block's rows."""
    crowd = ethernet(ipv4(udp(message(sub(Sub.PAD, b"") * 16_000))))
    frames_ = [crowd, ethernet(ipv4(udp(message(data(1)))))] * 4
    seen = read(capture(*frames_))
    assert len(seen.submessages) == 4 * 16_001
    assert [s["message"] for s in seen.submessages if s["kind"] == Sub.DATA] == [1, 3, 5, 7]


FRAG_HEAD = struct.pack("<HH", 0, 28) + WHO + number(5)
MALFORMED = [
    (Fault.SUBMESSAGE_LENGTH, data()[:-3]),
    (Fault.SUBMESSAGE_LENGTH, data() + b"xyz"),
    (Fault.SUBMESSAGE_SHORT, sub(Sub.DATA, bytes(19))),
    (Fault.SUBMESSAGE_SHORT, sub(Sub.INFO_DST, bytes(11))),
    (Fault.SUBMESSAGE_SHORT, sub(Sub.INFO_TS, bytes(7))),
    (Fault.SUBMESSAGE_SHORT, sub(Sub.DATA, struct.pack("<HH", 0, 12) + WHO + number(1), 4)),
    (Fault.SUBMESSAGE_SHORT, sub(Sub.DATA, struct.pack("<HH", 0, 40) + WHO + number(1), 4)),
    (Fault.SUBMESSAGE_SHORT, sub(Sub.ACKNACK, WHO + number(1) + struct.pack("<III", 64, 0, 1))),
    (Fault.SEQUENCE, data(0)),
    (Fault.SEQUENCE, data(-(1 << 32))),  # SEQUENCENUMBER_UNKNOWN
    (Fault.SEQUENCE, heartbeat(0, 1)),
    (Fault.SEQUENCE, heartbeat(5, 3)),
    (Fault.SEQUENCE, sub(Sub.GAP, WHO + number(1) + number(0) + struct.pack("<I", 0))),
    (Fault.SEQUENCE, sub(Sub.ACKNACK, WHO + number(-1) + struct.pack("<II", 0, 1))),
    (Fault.SET, sub(Sub.ACKNACK, WHO + number(1) + struct.pack("<I", 257) + bytes(40))),
    (Fault.FRAGMENT_NUMBER, sub(Sub.DATA_FRAG, FRAG_HEAD + struct.pack("<IHHI", 0, 1, 100, 200))),
    (Fault.FRAGMENT_NUMBER, sub(Sub.DATA_FRAG, FRAG_HEAD + struct.pack("<IHHI", 3, 1, 100, 200))),
    (Fault.FRAGMENT_NUMBER, sub(Sub.DATA_FRAG, FRAG_HEAD + struct.pack("<IHHI", 1, 1, 0, 200))),
    (Fault.INLINE_QOS, data(1, b"", struct.pack("<HH", 0x70, 400))),
]


@pytest.mark.parametrize(("fault", "octets"), MALFORMED)
def test_what_is_malformed_is_counted_by_kind(fault: Fault, octets: bytes) -> None:
    seen = scan(octets)
    assert seen.summary.malformed == {fault.words: 1}
    if fault is not Fault.SUBMESSAGE_LENGTH:  # which leaves no place for a next one
        assert scan(octets, data(2)).submessages[-1] == only(data(2))


@pytest.mark.parametrize("header", [b"RTPS\1\0" + bytes(14), b"RTPS\2\3" + bytes(13)])
def test_unknown_headers(header: bytes) -> None:
    seen = read(capture(ethernet(ipv4(udp(header)))))
    assert seen.summary.malformed == {Fault.VERSION.words: 1}
    assert [m["prefix"] for m in seen.messages] == [b""]


VECTORS = [
    message(data(), heartbeat(1, 2), sub(Sub.INFO_TS, bytes(8)), sub(Sub.INFO_DST, OTHER)),
    message(*(sub(Sub.ACKNACK, WHO + bytes.fromhex(octets) + bytes(4)) for octets, *_ in SETS)),
    message(sub(Sub.DATA_FRAG, FRAG_HEAD + struct.pack("<IHHI", 1, 1, 4, 8) + b"four"), sub(0x80, bytes(8))),
    message(
        data(1, b"x", struct.pack("<HHIHH", 0x71, 4, 1, 1, 0)),
        sub(Sub.GAP, WHO + number(1) + bytes.fromhex(SETS[3][0])),
    ),
    message(data(1, order=">"), heartbeat(1, 2, order=">"), sub(Sub.INFO_SRC, bytes(8) + OTHER, 0, ">")),
]


def damaged(octets: bytes) -> Iterator[bytes]:
    """Cut at each octet, and every octet turned over."""
    for i in range(len(octets)):
        yield octets[:i]
        yield octets[:i] + bytes([octets[i] ^ 0xFF]) + octets[i + 1 :]


@pytest.mark.parametrize("vector", VECTORS)
def test_damaged_vectors_are_read_alike_and_never_raise(vector: bytes) -> None:
    octets = capture(*(ethernet(ipv4(udp(bad))) for bad in damaged(vector)))
    assert read(octets) == read(octets, uncompiled())


def test_damaged_frames_are_read_alike_and_never_raise() -> None:
    frame = ethernet(ipv4(udp(message(data())), head=frames.Ip4(options=bytes(4))))
    six = ethernet(frames.ipv6(b"\x11\0" + bytes(6) + udp(message(data())), protocol=44), 0x86DD)
    for link in (1, 12, 113, 276, 0):
        octets = capture(*damaged(frame), *damaged(six), link=link)
        assert read(octets) == read(octets, uncompiled())


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([int(k) for k in Sub] + [0x80, 0x52, 0]),
            st.integers(0, 255),
            st.binary(max_size=64),
        ),
        max_size=6,
    )
)
def test_any_submessages_are_read_alike(parts: list[tuple[int, int, bytes]]) -> None:
    octets = capture(
        ethernet(ipv4(udp(message(*(struct.pack("<BBH", k, f | 1, len(b)) + b for k, f, b in parts)))))
    )
    assert read(octets) == read(octets, uncompiled())


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200), st.sampled_from([0, 1, 12, 113, 276]))
def test_any_octets_are_read_alike(octets: bytes, link: int) -> None:
    whole = capture(octets, b"\x45" + octets, ethernet(octets), link=link)
    assert read(whole) == read(whole, uncompiled())


def test_the_kernels_run_where_there_is_neither_compiler_nor_cython(tmp_path: Path) -> None:
    """The package's plain files alone, in a fresh interpreter in which Cython cannot be imported."""
    package = Path(toprung.__file__).parent
    shutil.copytree(
        package, tmp_path / "toprung", ignore=shutil.ignore_patterns("*.so", "*.pyd", "__pycache__")
    )
    (tmp_path / "cython.py").write_text("raise ImportError('not installed')")
    (tmp_path / "x.pcap").write_bytes(capture(ethernet(ipv4(udp(message(data(5)))))))
    program = """
import sys
from toprung.wire.kernels import compiled
from toprung.wire.scan import Scan
scan = Scan(open("x.pcap", "rb").read())
rows = [block.submessages.sequence[0] for block in scan.blocks()]
print(compiled(), rows == [5], "cython" in sys.modules)
"""
    done = subprocess.run(
        [sys.executable, "-P", "-c", program],
        cwd=tmp_path,
        env={"PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == ["False", "True", "False"]


def test_a_capture_alone_needs_no_fingerprints():
    octets = capture(ethernet(ipv4(udp(message(data(1))))))
    alone = Scan(octets)
    alone.leave_prints()
    assert [row["print"] for row in gather([alone]).messages] == [0]
    assert read(octets).messages[0]["print"] != 0
