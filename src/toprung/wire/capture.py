"""Capture containers: pcap and pcapng headers, sections and interfaces; records come from the kernel.

Sources: draft-ietf-opsawg-pcap, draft-ietf-opsawg-pcapng.  Knows nothing of files: bytes in, offsets out.
"""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toprung.errors import CaptureError
from toprung.wire.kernels import KERNELS, Kernels, as_view
from toprung.wire.link import LINK_TYPES, Framing, framing

PCAP_HEADER = 24
BLOCK_HEADER = 12
PCAP_MAGICS = {  # first four octets: (byte order, ns per unit of the fraction)
    bytes.fromhex("d4c3b2a1"): ("<", 1000),
    bytes.fromhex("a1b2c3d4"): (">", 1000),
    bytes.fromhex("4d3cb2a1"): ("<", 1),
    bytes.fromhex("a1b23c4d"): (">", 1),
}
PCAPNG_MAGIC = bytes.fromhex("0a0d0d0a")
BYTE_ORDER_MAGIC = {bytes.fromhex("4d3c2b1a"): "<", bytes.fromhex("1a2b3c4d"): ">"}
MAX_RECORD = 1 << 24  # octets; no link carries packets of 16 MiB
MAX_INTERFACES = 1 << 16

MORE, FULL, SPECIAL, GIGANTIC, BROKEN = range(5)  # Records.status

RECORD_COLUMNS = (
    ("time_ns", "i8"), ("at", "i8"), ("captured", "u4"), ("length", "u4"), ("interface", "u2"), ("way", "u1"),
)  # fmt: skip
WANTED = "a pcap or pcapng capture is needed"


class Container:
    """Walks one capture.  `fill` reads the next records; `declared` tells that interfaces changed."""

    def __init__(self, label: str, rows: int, kernels: Kernels = KERNELS) -> None:
        self.label = label
        self.columns = {name: np.zeros(rows, dtype) for name, dtype in RECORD_COLUMNS}
        self.records: Any = kernels.records({k: as_view(v) for k, v in self.columns.items()}, rows)
        self.links: list[int] = []  # link type of each interface of the current section
        self.all_links: dict[int, None] = {}
        self.framing = b""
        self.order = "<"
        self.fraction_ns = 0  # 0: pcapng
        self._scales: list[tuple[int, int, int, int]] = []
        self._snaps: list[int] = []

    def open(self, head: memoryview) -> int:
        """Read the file header; where the first record or block stands.

        Raises CaptureError where this is no capture, or one of a link type that cannot be read.
        """
        magic = bytes(head[:4])
        if len(head) == 0:
            raise CaptureError("it is empty", self.label, WANTED)
        if magic == PCAPNG_MAGIC:
            return 0
        if magic not in PCAP_MAGICS:
            raise CaptureError("this is not a capture", self.label, WANTED)
        if len(head) < PCAP_HEADER:
            raise CaptureError(
                f"it ends inside the file header, after {len(head)} bytes", self.label, "capture again"
            )
        self.order, self.fraction_ns = PCAP_MAGICS[magic]
        network: int = struct.unpack_from(self.order + "I", head, 20)[0]
        self._interface(network & 0xFFFF, (1, 1, 0, 0), 0)
        if framing(network & 0xFFFF) is Framing.UNKNOWN:
            known = ", ".join(f"{link.number} ({link.name})" for link in LINK_TYPES.values())
            what = f"its link type is {network & 0xFFFF}, which cannot be read"
            raise CaptureError(what, self.label, f"readable are {known}")
        self.declare()
        return PCAP_HEADER

    def attach(self, view: memoryview) -> None:
        """The window that offsets count in."""
        self.records.attach(view)

    def fill(self, at: int, end: int) -> int:
        """Read one batch of records from `at` on; where reading stopped.  `records.status` says why."""
        return int(self.records.read(at, end, self.fraction_ns))

    def complain(self, status: int, at: int, packets: int) -> None:
        """Raise what a status calls for; `at` is an offset in the capture."""
        if status == GIGANTIC:
            raise CaptureError(
                f"the record after packet {packets} claims {self.records.wanted} bytes",
                f"{self.label} byte {at}",
                f"no packet has more than {MAX_RECORD}: the file is damaged there; cut it before that byte",
            )
        if status == BROKEN:
            raise CaptureError(
                f"the block after packet {packets} contradicts itself about its length",
                f"{self.label} byte {at}",
                "the file is damaged there; cut it before that byte",
            )

    def special(self, view: memoryview, at: int, end: int, where: int) -> int | None:
        """Read a header block at `at` (byte `where` of the capture); its end, None: it is not all there."""
        if at + BLOCK_HEADER > end:
            return None
        if bytes(view[at : at + 4]) == PCAPNG_MAGIC:
            order = BYTE_ORDER_MAGIC.get(bytes(view[at + 8 : at + 12]))
            if order is None:
                raise CaptureError("a section has no byte-order mark", f"{self.label} byte {where}", WANTED)
            self.order = order
            self.links, self._scales, self._snaps = [], [], []
        total: int = struct.unpack_from(self.order + "I", view, at + 4)[0]
        if total < BLOCK_HEADER or total % 4 or total > MAX_RECORD:
            what = f"a header block claims {total} bytes"
            raise CaptureError(what, f"{self.label} byte {where}", "the file is damaged there")
        if at + total > end:
            return None
        if bytes(view[at : at + 4]) != PCAPNG_MAGIC and total >= BLOCK_HEADER + 8:
            self._described(bytes(view[at + 8 : at + total - 4]))
        self.declare()
        return at + total

    def _described(self, body: bytes) -> None:
        """An interface description block (4.2)."""
        link, _, snap = struct.unpack_from(self.order + "HHI", body)
        scale = [1000, 1, 0, 0]
        at = 8
        while at + 4 <= len(body):
            code, length = struct.unpack_from(self.order + "HH", body, at)
            value = body[at + 4 : at + 4 + length]
            if code == 0 or len(value) < length:
                break
            if code == 9 and length >= 1:
                scale[:3] = _resolution(value[0])
            elif code == 14 and length >= 8:
                (scale[3],) = struct.unpack_from(self.order + "q", value)
            at += 4 + (length + 3) // 4 * 4
        self._interface(link, (scale[0], scale[1], scale[2], scale[3]), snap)

    def _interface(self, link: int, scale: tuple[int, int, int, int], snap: int) -> None:
        if len(self.links) < MAX_INTERFACES:
            self.links.append(link)
            self.all_links[link] = None
            self._scales.append(scale)
            self._snaps.append(snap)

    def declare(self) -> None:
        """Tell the kernel what was read."""
        self.framing = bytes(framing(link) for link in self.links)
        scales: NDArray[np.int64] = np.array(self._scales, "i8").reshape(-1)
        snaps: NDArray[np.uint32] = np.array(self._snaps, "u4")
        self.records.declare(self.order == "<", as_view(scales), as_view(snaps))


def _resolution(value: int) -> tuple[int, int, int]:
    """if_tsresol -> multiplier, divisor, binary shift: ns = ticks // divisor * multiplier, or by shift."""
    power = value & 0x7F
    if value & 0x80 and power:
        return 1, 1, min(power, 63)
    if value & 0x80:
        power = 0
    return (10 ** (9 - power), 1, 0) if power <= 9 else (1, 10 ** min(power - 9, 18), 0)
