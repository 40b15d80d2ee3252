"""Capture containers, link types, IP: each framing built by hand, and by scapy's writers."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from scapy.layers.inet import IP, UDP
from scapy.layers.inet6 import IPv6, IPv6ExtHdrDestOpt, IPv6ExtHdrFragment
from scapy.layers.l2 import CookedLinux, CookedLinuxV2, Dot1Q, Ether, Loopback
from scapy.utils import PcapNgWriter, PcapWriter

from tests.wire import frames
from tests.wire.frames import (
    MAC,
    SOURCE,
    TARGET,
    capture,
    data,
    ethernet,
    heartbeat,
    ipv4,
    ipv6,
    message,
    udp,
)
from tests.wire.rows import read
from toprung.errors import CaptureError
from toprung.wire.columns import MessageFlag
from toprung.wire.scan import Scan

MESSAGE = message(data(7), heartbeat(1, 7))
DATAGRAM = udp(MESSAGE)
PACKET = ipv4(DATAGRAM)
COOKED = struct.pack(">HHH", 4, 1, 6) + MAC + bytes(2) + b"\x08\0"
COOKED2 = b"\x08\0" + bytes(2) + struct.pack(">IHBB", 9, 1, 0, 6) + MAC + bytes(2)


def assert_read(octets: bytes, source: str = SOURCE) -> dict[str, object]:
    """One sound message is in it, alone; its row."""
    seen = read(octets)
    assert [m["datagram"] for m in seen.messages] == [MESSAGE]
    assert [s["sequence"] for s in seen.submessages] == [7, 7]
    assert seen.summary.malformed == {}
    assert seen.messages[0]["source"] == source
    return seen.messages[0]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("unit", [1000, 1])
def test_pcap(order: str, unit: int) -> None:
    record = frames.record(ethernet(PACKET), 1_234_567_891_234_567_000, order=order, unit=unit)
    row = assert_read(frames.pcap(record, order=order, unit=unit))
    assert (row["time_ns"], row["packet"]) == (1_234_567_891_234_567_000, 1)


@pytest.mark.parametrize(
    ("link", "frame"),
    [
        (1, ethernet(PACKET)),
        (1, ethernet(PACKET) + bytes(20)),  # Ethernet padding
        (1, ethernet(b"\0\7\x08\0" + PACKET, 0x8100)),
        (1, ethernet(b"\0\7\x81\0\0\x08\x08\0" + PACKET, 0x88A8)),
        (113, COOKED + PACKET),
        (276, COOKED2 + PACKET),
        (12, PACKET),
        (14, PACKET),
        (101, PACKET),
        (228, PACKET),
        (0, struct.pack("<I", 2) + PACKET),
        (0, struct.pack(">I", 2) + PACKET),
        (108, struct.pack(">I", 2) + PACKET),
        (1, ethernet(ipv4(DATAGRAM, head=frames.Ip4(options=bytes(8))))),
        (1, ethernet(ipv4(DATAGRAM, head=frames.Ip4(total=0)))),  # segmentation offload
        (1, ethernet(ipv4(udp(MESSAGE, length=0)))),
    ],
)
def test_link_types_and_ipv4(link: int, frame: bytes) -> None:
    assert_read(capture(frame, link=link))


@pytest.mark.parametrize(
    ("link", "frame"),
    [
        (1, ethernet(ipv6(DATAGRAM), 0x86DD)),
        (1, ethernet(ipv6(DATAGRAM, length=0), 0x86DD)),
        (229, ipv6(DATAGRAM)),
        (0, struct.pack("<I", 30) + ipv6(DATAGRAM)),
        (1, ethernet(ipv6(b"\x3c\0" + bytes(6) + b"\x11\1" + bytes(14) + DATAGRAM, protocol=0), 0x86DD)),
        (1, ethernet(ipv6(b"\x11\2" + bytes(14) + DATAGRAM, protocol=51), 0x86DD)),
        (1, ethernet(ipv6(b"\x11\0" + bytes(6) + DATAGRAM, protocol=44), 0x86DD)),  # an atomic fragment
    ],
)
def test_ipv6(link: int, frame: bytes) -> None:
    row = assert_read(capture(frame, link=link), frames.SOURCE6)
    assert (row["target"], row["ttl"]) == ("ff02::1", 32)
    assert row["flags"] & MessageFlag.MULTICAST


def test_cooked_says_direction_and_interface() -> None:
    sent = read(capture(COOKED2 + PACKET, COOKED2[:10] + b"\4" + COOKED2[11:] + PACKET, link=276)).messages
    assert [m["interface"] for m in sent] == [9, 9]
    both = MessageFlag.INCOMING | MessageFlag.OUTGOING
    assert [m["flags"] & both for m in sent] == [MessageFlag.INCOMING, MessageFlag.OUTGOING]


def test_message_columns() -> None:
    frame = ethernet(ipv4(udp(MESSAGE, 41000, 7650), target="239.255.0.1")) + bytes(3)
    row = read(capture(b"", frame)).messages[0]
    expected = {
        "packet": 2, "time_ns": 10**9 + 1000, "source": SOURCE, "target": "239.255.0.1", "source_port": 41000,
        "target_port": 7650, "ttl": 64, "prefix": frames.PREFIX, "vendor": 0x010F, "size": len(MESSAGE),
        "wire_bytes": len(frame), "fragments": 1, "interface": 0,
    }  # fmt: skip
    assert {k: row[k] for k in expected} == expected
    assert row["flags"] == MessageFlag.MULTICAST | MessageFlag.DATA


@pytest.mark.parametrize("order", ["<", ">"])
def test_pcapng_blocks(order: str) -> None:
    """Enhanced, simple and old packet blocks; unknown blocks between them; two interfaces, two sections."""
    frame = ethernet(PACKET)
    old = struct.pack(order + "HHIIII", 1, 0, 0, 3_000_000, len(PACKET), len(PACKET)) + PACKET
    octets = (
        frames.section(order)
        + frames.block(0xBAD, bytes(8), order)
        + frames.interface(options=frames.option(2, b"eth0", order), order=order)
        + frames.interface(
            link=101, options=frames.option(9, b"\6", order) + frames.option(0, b"", order), order=order
        )
        + frames.packet(frame, 5, order=order)
        + frames.block(5, bytes(12), order)
        + frames.packet(PACKET, 7, nic=1, order=order)
        + frames.block(3, struct.pack(order + "I", len(frame)) + frame, order)
        + frames.block(2, old, order)
        + frames.section("<")
        + frames.interface()
        + frames.packet(frame, 9)
    )
    seen = read(octets)
    assert [m["datagram"] for m in seen.messages] == [MESSAGE] * 5
    assert [(m["interface"], m["time_ns"]) for m in seen.messages] == [
        (0, 5000), (1, 7000), (0, 7000), (1, 3 * 10**9), (0, 9000),
    ]  # fmt: skip
    assert seen.summary.malformed == {}


@pytest.mark.parametrize(
    ("options", "ticks", "time_ns"),
    [
        (b"", 1_500_000, 1_500_000_000),  # microseconds unless said otherwise
        (frames.option(9, b"\3"), 1_500, 1_500_000_000),
        (frames.option(9, b"\x09"), 1_500_000_001, 1_500_000_001),
        (frames.option(9, b"\x0c"), 1_500_000_000_001, 1_500_000_000),
        (frames.option(9, b"\x8a"), 1536, 1_500_000_000),  # 2^-10 s
        (frames.option(9, b"\xbf"), 3 << 62, 1_500_000_000),  # 2^-63 s
        (frames.option(9, b"\x80"), 2, 2_000_000_000),
        (frames.option(14, struct.pack("<q", 100)) + frames.option(9, b"\6"), 1, 100_000_001_000),
        (frames.option(14, struct.pack("<q", -1)), 2_000_000, 1_000_000_000),
    ],
)
def test_pcapng_times(options: bytes, ticks: int, time_ns: int) -> None:
    """if_tsresol and if_tsoffset (draft-ietf-opsawg-pcapng, 4.2)."""
    octets = frames.section() + frames.interface(options=options) + frames.packet(ethernet(PACKET), ticks)
    assert read(octets).messages[0]["time_ns"] == time_ns


def test_simple_packets_are_cut_at_the_snapshot_length() -> None:
    frame = ethernet(PACKET)[:80]
    octets = frames.section() + frames.interface(snap=80)
    octets += frames.block(3, struct.pack("<I", 300) + frame)
    seen = read(octets)
    assert seen.summary.short == 1
    assert seen.messages[0]["wire_bytes"] == 300


def test_packets_of_undeclared_interfaces_are_counted() -> None:
    octets = (
        frames.section()
        + frames.interface()
        + frames.packet(ethernet(PACKET), nic=1)
        + frames.packet(ethernet(PACKET))
    )
    seen = read(octets)
    assert len(seen.messages) == 1
    assert seen.summary.malformed == {"packet of an interface that the capture does not declare": 1}


def test_packets_of_unknown_link_types_are_counted() -> None:
    octets = frames.section() + frames.interface(147) + frames.interface()
    octets += frames.packet(b"whatever", nic=0) + frames.packet(ethernet(PACKET), nic=1)
    seen = read(octets)
    assert len(seen.messages) == 1
    assert seen.summary.malformed == {"packet of an unknown link type": 1}
    assert seen.summary.link_types == ("unknown link type 147", "Ethernet")


def test_cut_packets_are_read_as_far_as_they_go() -> None:
    whole = ethernet(PACKET)
    for there in range(len(whole)):
        seen = read(frames.pcap(frames.record(whole[:there], length=len(whole))))
        assert seen.summary.malformed == {}
        assert seen.summary.short == 1
        for row in seen.messages:
            assert row["flags"] & MessageFlag.CUT
            assert row["size"] == len(MESSAGE)
            assert row["datagram"] == MESSAGE[: len(row["datagram"])]
    assert len(seen.submessages) == 1  # the heartbeat lacks an octet


def test_fingerprints() -> None:
    """Equal for one datagram whatever the link, VLAN or hop limit; different for different ones."""
    hops = PACKET[:8] + b"\1" + PACKET[9:]
    same = [
        capture(ethernet(PACKET)),
        capture(COOKED2 + hops, link=276),
        capture(ethernet(b"\0\7\x08\0" + hops, 0x8100) + bytes(9)),
    ]
    prints = {read(octets).messages[0]["print"] for octets in same}
    assert len(prints) == 1
    others = [
        ipv4(DATAGRAM, ident=2),
        ipv4(DATAGRAM, source="10.77.1.9"),
        ipv4(udp(MESSAGE, 40001)),
        ipv4(udp(MESSAGE + b"\0")),
        ipv4(udp(MESSAGE[:60] + b"\xff" + MESSAGE[61:])),
    ]
    prints |= {read(capture(ethernet(other))).messages[0]["print"] for other in others}
    assert len(prints) == 1 + len(others)
    assert 0 not in prints
    cut = frames.pcap(frames.record(ethernet(PACKET)[:90], length=len(ethernet(PACKET))))
    assert read(cut).messages[0]["print"] == 0
    long = ethernet(ipv4(udp(message(data(1, bytes(300))))))
    cut = frames.pcap(frames.record(long[:200], length=len(long)))
    assert read(cut).messages[0]["print"] == read(capture(long)).messages[0]["print"]


LINKS: list[tuple[Callable[[], object], str]] = [
    (lambda: Ether() / IP(src=SOURCE, dst=TARGET), "Ethernet"),
    (lambda: Ether() / Dot1Q(vlan=4) / Dot1Q(vlan=5) / IP(src=SOURCE, dst=TARGET), "Ethernet"),
    (lambda: CookedLinux() / IP(src=SOURCE, dst=TARGET), "Linux cooked v1"),
    (lambda: CookedLinuxV2() / IP(src=SOURCE, dst=TARGET), "Linux cooked v2"),
    (lambda: Loopback() / IP(src=SOURCE, dst=TARGET), "BSD loopback"),
    (lambda: IP(src=SOURCE, dst=TARGET), "raw IPv4"),
    (
        lambda: Ether() / IPv6(src=SOURCE6, dst="fd77::2") / IPv6ExtHdrDestOpt() / IPv6ExtHdrFragment(),
        "Ethernet",
    ),
]
SOURCE6 = frames.SOURCE6


@pytest.mark.parametrize(("make", "link"), LINKS)
def test_scapys_pcap_writer(tmp_path: Path, make: Callable[[], object], link: str) -> None:
    packet = make() / UDP(sport=40000, dport=7411) / MESSAGE  # type: ignore[operator]
    packet.time = 1_700_000_000.25
    for nano in (False, True):
        path = tmp_path / f"{nano}.pcap"
        with PcapWriter(str(path), nano=nano) as writer:
            writer.write(packet)
        row = assert_read(path.read_bytes(), SOURCE6 if IPv6 in packet else SOURCE)
        assert row["time_ns"] == 1_700_000_000_250_000_000
        assert read(path.read_bytes()).summary.link_types == (link,)


def test_scapys_pcapng_writer(tmp_path: Path) -> None:
    path = tmp_path / "x.pcapng"
    packet = Ether() / IP(src=SOURCE, dst=TARGET) / UDP(sport=40000, dport=7411) / MESSAGE
    packet.time = 1_700_000_000.25
    with PcapNgWriter(str(path)) as writer:
        writer.write(packet)
    assert assert_read(path.read_bytes())["time_ns"] == 1_700_000_000_250_000_000


@pytest.mark.parametrize(
    ("octets", "says"),
    [
        (b"", "capture: it is empty; a pcap or pcapng capture is needed"),
        (b"PK\3\4 and so on", "capture: this is not a capture"),
        (frames.pcap()[:20], "ends inside the file header"),
        (
            frames.pcap(link=147),
            "its link type is 147, which cannot be read; readable are 0 (BSD loopback), 1 (Ethernet)",
        ),
        (
            frames.pcap(struct.pack("<IIII", 0, 0, 1 << 31, 60)),
            "capture byte 24: the record after packet 0 claims 2147483664",
        ),
        (
            frames.section() + struct.pack("<III", 6, 1 << 30, 0),
            "the record after packet 0 claims 1073741824 bytes",
        ),
        (frames.section() + struct.pack("<III", 6, 13, 0), "contradicts itself about its length"),
        (frames.section()[:8] + bytes(20), "a section has no byte-order mark"),
        (frames.section() + struct.pack("<III", 1, 8, 0), "contradicts itself about its length"),
    ],
)
def test_what_is_no_capture_is_refused(octets: bytes, says: str) -> None:
    with pytest.raises(CaptureError) as error:
        read(octets)
    assert says in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    "make", [lambda f: capture(f, f), lambda f: frames.section() + frames.interface() + frames.packet(f) * 2]
)
def test_a_cut_tail_is_read_up_to_the_cut(make: Callable[[bytes], bytes]) -> None:
    octets = make(ethernet(PACKET))
    begin = octets.rindex(ethernet(PACKET)) - (16 if octets[0] == 0xD4 else 28)
    for end in range(begin, len(octets)):
        seen = read(octets[:end])
        assert len(seen.messages) == 1
        if end == begin:
            assert seen.summary.tail is None
        else:
            assert seen.summary.tail == (
                f"the capture ends inside packet 2, which begins at byte {begin}: "
                f"{end - begin} bytes of it are there"
            )


def test_chunks_of_any_size_give_the_same_rows() -> None:
    octets = capture(*[ethernet(ipv4(udp(message(data(i))), ident=i)) for i in range(1, 40)])
    whole = read(octets)
    for size in (1, 7, 1000, len(octets)):
        chunks = [octets[i : i + size] for i in range(0, len(octets), size)]
        assert read(chunks)[:2] == whole[:2]


def test_progress_is_told() -> None:
    told: list[int] = []
    octets = capture(ethernet(PACKET))
    for _ in Scan(octets, progress=told.append).blocks():
        pass
    assert told[-1] == len(octets)
