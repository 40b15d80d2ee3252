"""Every submessage of the shared captures against scapy's RTPS layer (scapy.contrib.rtps), field by field.

Each submessage is handed to scapy alone, found by DDSI-RTPS 2.5, 9.4.5.1.3 (octetsToNextHeader): scapy's own
message loop stops behind some DATA.  scapy leaves DATA_FRAG and GAP uninterpreted and gives number sets as
octets; those are unpacked here by 9.4.5.5, 9.4.5.6 and 9.4.2.6.
"""

from __future__ import annotations

import gzip
import struct
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
from scapy.contrib.rtps import rtps
from scapy.layers.inet import IP, UDP
from scapy.layers.l2 import CookedLinuxV2, Ether
from scapy.utils import RawPcapReader

from tests.wire.rows import Seen, read
from toprung.wire.columns import NO_TIME
from toprung.wire.ids import Sub

SHARED = Path(__file__).parents[3] / "shared" / "captures"
CAPTURES = sorted(SHARED.glob("*/*.pcap.gz"))
LAYERS = {
    Sub.DATA: rtps.RTPSSubMessage_DATA,
    Sub.DATA_FRAG: rtps.RTPSSubMessage_DATA_FRAG,
    Sub.HEARTBEAT: rtps.RTPSSubMessage_HEARTBEAT,
    Sub.ACKNACK: rtps.RTPSSubMessage_ACKNACK,
    Sub.GAP: rtps.RTPSSubMessage_GAP,
    Sub.INFO_TS: rtps.RTPSSubMessage_INFO_TS,
    Sub.INFO_DST: rtps.RTPSSubMessage_INFO_DST,
}

pytestmark = pytest.mark.skipif(not CAPTURES, reason="the shared captures are not here")


@lru_cache(maxsize=4)
def seen(path: Path) -> Seen:
    return read(gzip.decompress(path.read_bytes()))


@lru_cache(maxsize=1 << 16)
def decoded(octets: bytes) -> Any:
    """The same submessage in several captures is decoded once."""
    return LAYERS[Sub(octets[0])](octets)


def pieces(datagram: bytes) -> list[bytes]:
    """The submessages of a message, by 9.4.5.1.3."""
    at, found = 20, []
    while at + 4 <= len(datagram):
        kind, flags = datagram[at : at + 2]
        (length,) = struct.unpack_from("<H" if flags & 1 else ">H", datagram, at + 2)
        if length == 0 and kind not in (Sub.PAD, Sub.INFO_TS):
            length = len(datagram) - at - 4
        found.append(datagram[at : at + 4 + length])
        at += 4 + length
    return found


def entity(value: bytes) -> int:
    return int.from_bytes(value, "big")


def wide(high: int, low: int) -> int:
    return (high - (high >> 31 << 32)) << 32 | low


def number_set(octets: bytes, order: str, wide_base: bool) -> tuple[int, int, int, bytes]:
    """Base, bits, set bits and bitmap words of a set (9.4.2.6)."""
    if wide_base:
        high, low, bits = struct.unpack_from(order + "iII", octets)
        base, at = wide(high, low), 12
    else:
        base, bits = struct.unpack_from(order + "II", octets)
        at = 8
    words = struct.unpack_from(f"{order}{(bits + 31) // 32}I", octets, at)
    named = sum(words[i // 32] >> (31 - i % 32) & 1 for i in range(bits))
    return base, bits, named, octets[at : at + 4 * len(words)]


def parameters(octets: bytes, order: str) -> list[tuple[int, int]]:
    """Ids and lengths of a parameter list with its sentinel (9.4.2.11).

    scapy takes the vendor's parameter 0x800F for one of 4 octets, whatever its length says, and is lost then.
    """
    at, found = 0, []
    while at < len(octets):
        kind, length = struct.unpack_from(order + "HH", octets, at)
        found.append((kind, length if kind != 1 else 0))
        at += 4 + found[-1][1]
    return found


def of_data(p: Any, row: dict[str, Any], octets: bytes, order: str) -> None:
    assert row["reader"] == p.readerEntityIdKey << 8 | p.readerEntityIdKind
    assert row["writer"] == p.writerEntityIdKey << 8 | p.writerEntityIdKind
    assert row["sequence"] == wide(p.writerSeqNumHi, p.writerSeqNumLow)
    body = octets[8 + p.octetsToInlineQoS :]
    assert row["inline"] + (row["payload"] if octets[1] & 0x0C else b"") == body
    assert bool(row["inline"]) == (p.inlineQoS is not None)
    if p.inlineQoS is not None:
        listed = parameters(row["inline"], order)
        assert sum(4 + length for _, length in listed) == row["inline_length"]
        assert p.inlineQoS.parameters[0].parameterId == listed[0][0]
    if p.data is not None and row["payload"] and p.inlineQoS is None:
        assert int.from_bytes(row["payload"][:2], "big") == p.data.encapsulationKind


def of_data_frag(p: Any, row: dict[str, Any], octets: bytes, order: str) -> None:
    raw = p.uninterpreted_data
    _, to_qos, reader, writer, high, low, *numbers = struct.unpack_from(order + "HH4s4siIIHHI", raw, 4)
    assert (row["reader"], row["writer"], row["sequence"]) == (
        entity(reader),
        entity(writer),
        wide(high, low),
    )
    assert [row[k] for k in ("fragment", "fragments", "fragment_size", "sample_size")] == numbers
    assert row["inline"] + row["payload"] == octets[8 + to_qos :]


def of_heartbeat(p: Any, row: dict[str, Any], octets: bytes, order: str) -> None:
    assert (row["reader"], row["writer"]) == (entity(p.reader_id), entity(p.writer_id))
    assert row["base"] == wide(p.firstAvailableSeqNumHi, p.firstAvailableSeqNumLow)
    assert row["sequence"] == wide(p.lastSeqNumHi, p.lastSeqNumLow)
    assert row["count"] == p.count


def of_acknack(p: Any, row: dict[str, Any], octets: bytes, order: str) -> None:
    assert (row["reader"], row["writer"], row["count"]) == (entity(p.reader_id), entity(p.writer_id), p.count)
    found = (row["sequence"], row["extent"], row["named"], row["payload"])
    assert found == number_set(p.readerSNState, order, wide_base=True)


def of_gap(p: Any, row: dict[str, Any], octets: bytes, order: str) -> None:
    raw = p.uninterpreted_data
    reader, writer, high, low = struct.unpack_from(order + "4s4siI", raw, 4)
    assert (row["reader"], row["writer"], row["sequence"]) == (
        entity(reader),
        entity(writer),
        wide(high, low),
    )
    found = (row["base"], row["extent"], row["named"], row["payload"])
    assert found == number_set(raw[20:], order, wide_base=True)


CHECKS = {
    Sub.DATA: of_data,
    Sub.DATA_FRAG: of_data_frag,
    Sub.HEARTBEAT: of_heartbeat,
    Sub.ACKNACK: of_acknack,
    Sub.GAP: of_gap,
}


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: f"{path.parent.name}-{path.name.split('.')[0]}")
def test_submessages_are_scapys(path: Path) -> None:
    found = seen(path)
    rows = iter(found.submessages)
    for index, message in enumerate(found.messages):
        assert message["datagram"][:4] == b"RTPS"
        stamp, to = NO_TIME, b""
        for octets in pieces(message["datagram"]):
            row = next(rows)
            order = "<" if octets[1] & 1 else ">"
            assert (row["message"], row["kind"], row["flags"]) == (index, octets[0], octets[1])
            if row["kind"] not in LAYERS:
                assert row["kind"] >= 0x80
                continue
            p = decoded(octets)
            if row["kind"] == Sub.INFO_TS:
                stamp = p.ts_seconds * 10**9 + round(p.ts_fraction * 10**9 / 2**32)
            elif row["kind"] == Sub.INFO_DST:
                to = bytes(p.guidPrefix).replace(bytes(12), b"")  # GUIDPREFIX_UNKNOWN: anybody (8.3.8.7)
            else:
                CHECKS[Sub(row["kind"])](p, row, octets, order)
            assert (row["source_time_ns"], row["addressee"]) == (stamp, to)
            assert row["sender"] == message["prefix"]
    assert next(rows, None) is None


@pytest.mark.parametrize(
    "path", CAPTURES[::6], ids=lambda path: f"{path.parent.name}-{path.name.split('.')[0]}"
)
def test_unfragmented_messages_are_scapys(path: Path) -> None:
    """Times, addresses, ports, hop limits and payloads, as scapy's capture reader and IP layers have them."""
    expected = []
    with RawPcapReader(str(path)) as reader:
        layer = {1: Ether, 276: CookedLinuxV2}[reader.linktype]
        for packet, (octets, meta) in enumerate(reader, 1):
            frame = layer(octets)
            if UDP not in frame or frame[IP].frag or frame[IP].flags & 1:
                continue
            payload = bytes(frame[UDP].payload)[: frame[UDP].len - 8]
            if payload[:4] == b"RTPS":
                ip, udp = frame[IP], frame[UDP]
                time_ns = meta.sec * 10**9 + meta.usec * 1000
                row = (
                    packet,
                    time_ns,
                    ip.src,
                    ip.dst,
                    udp.sport,
                    udp.dport,
                    ip.ttl,
                    udp.len - 8,
                    meta.wirelen,
                    payload,
                )
                expected.append(row)
    names = "packet time_ns source target source_port target_port ttl size wire_bytes datagram"
    found = [tuple(row[k] for k in names.split()) for row in seen(path).messages if row["fragments"] == 1]
    assert found == expected
