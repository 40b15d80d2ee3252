"""Ethernet and USB: what an IP packet occupies of a cable.

IEEE 802.3-2022 3.1 (frame), 4.4.2 (gap); RFC 5180, Appendix A (greatest frame rates).  USB 2.0, 5.8.4 (bulk
transfers) and 5.5-5.7; CDC NCM 1.0, 3 (transfer blocks).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from toprung.model.site import Link, LinkKind

HEADER_BYTES, FCS_BYTES = 14, 4
PREAMBLE_BYTES, GAP_BYTES = 8, 12
LEAST_PAYLOAD_BYTES = 46
NCM_HEADER_BYTES = 12  # NTH16
NCM_TABLE_BYTES = 8 + 4 + 4  # NDP16: its header, one datagram's entry, the closing one


class Speed(NamedTuple):
    """A USB 2.0 speed: what fits in one (micro)frame, and what each bulk packet costs beside its data
    (Tables 5-9 and 5-10)."""

    frame_bytes: int
    frames_per_s: int
    packet_overhead_bytes: int


FULL_SPEED = Speed(1500, 1_000, 13)
HIGH_SPEED = Speed(7500, 8_000, 55)
HIGH_SPEED_PACKET_BYTES = 512


@dataclass(frozen=True, slots=True)
class Wire:
    """How a packet lies on a cable: bytes added to it, least bytes of it."""

    added_bytes: int
    least_bytes: int
    full_duplex: bool
    assumption: str

    def occupied_bytes(self, ip_bytes: int) -> int:
        """Of the cable's bytes at its declared rate, those that this packet keeps from others."""
        return max(ip_bytes, self.least_bytes) + self.added_bytes


ETHERNET = Wire(
    HEADER_BYTES + FCS_BYTES + PREAMBLE_BYTES + GAP_BYTES,
    LEAST_PAYLOAD_BYTES,
    True,
    "Ethernet is full duplex; each frame costs 38 bytes beside its packet",
)
USB = Wire(
    HEADER_BYTES + NCM_HEADER_BYTES + NCM_TABLE_BYTES,
    0,
    False,
    "the USB link carries one packet in each NCM block; its declared rate is that of its bulk data, "
    "and both directions share it",
)


def wire_of(link: Link) -> Wire:
    """The wire of a link that is no air."""
    return USB if link.kind is LinkKind.USB else ETHERNET


def frames_per_s(rate_bps: float, frame_bytes: int) -> float:
    """Greatest frame rate for frames of so many bytes, FCS included (RFC 5180, A.1)."""
    return rate_bps / (8 * (frame_bytes + PREAMBLE_BYTES + GAP_BYTES))


def udp_goodput_bps(rate_bps: float, payload_bytes: int) -> float:
    """UDP payload that a full Ethernet carries in datagrams of one packet each."""
    packet = payload_bytes + 28
    return rate_bps * payload_bytes / ETHERNET.occupied_bytes(packet)


def bulk_bytes_per_s(speed: Speed, packet_bytes: int) -> int:
    """Greatest rate of bulk data over USB 2.0 in packets of so many bytes."""
    packets = speed.frame_bytes // (packet_bytes + speed.packet_overhead_bytes)
    return packets * packet_bytes * speed.frames_per_s
