"""How long a Wi-Fi cell's air is taken by an IP packet, by a burst of them, by multicast and by beacons.

IEEE 802.11-2020: frame formats in 9, distributed access (DCF, EDCA) in 10.3 and 10.23, responses in 10.6,
aggregation in 10.12, power save and multicast in 11.2.  Microseconds, as in the standard; sizes are bytes
of the IP packet.  What the site does not say is taken as `Cell.assumptions` says in words.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import islice

from toprung.forecast.phys import DSSS_RATES_BPS, SIGNAL_EXTENSION_US, Mode, dsss, ladder, nearest, ofdm
from toprung.model.site import Link, LinkKind, Standard

MAC_HEADER_BYTES, QOS_BYTES, FCS_BYTES = 24, 2, 4  # 9.3.2.1, 9.2.4.5, 9.2.4.8
LLC_SNAP_BYTES = 8  # ISO/IEC 8802-2 and RFC 1042
CCMP_BYTES = 8 + 8  # 12.5.3: header and integrity code
ACK_BYTES, CTS_BYTES, RTS_BYTES, BLOCK_ACK_BYTES = 14, 14, 20, 32  # 9.3.1; compressed block ack
DELIMITER_BYTES = 4  # 9.7.1: before each frame of an A-MPDU
BEACON_BYTES = 250  # body and header of a usual beacon with its elements; not from the standard
TIME_UNIT_US = 1024.0
BEACON_UNITS = 100
LONGEST_PPDU_US = 5484.0  # 10.12: aPPDUMaxTime
HIGHEST_CONTROL_BPS = 24e6  # greatest mandatory OFDM rate (17.2.3): the usual basic set is 6, 12, 24


@dataclass(frozen=True, slots=True)
class Timing:
    """Access to the air.  `gap_slots`: 2 is DCF's DIFS, 3 EDCA's best effort (Table 9-155)."""

    slot_us: float
    sifs_us: float
    cw_min: int
    cw_max: int = 1023
    gap_slots: int = 2

    @property
    def gap_us(self) -> float:
        """The silence before backoff begins: DIFS or AIFS."""
        return self.sifs_us + self.gap_slots * self.slot_us

    @property
    def backoff_us(self) -> float:
        """Mean backoff of an undisturbed first try."""
        return self.cw_min / 2 * self.slot_us


@dataclass(frozen=True, slots=True)
class Aggregation:
    """Frames that may follow each other in one transmission (10.12)."""

    bytes: int
    frames: int


DSSS_TIMING = Timing(20, 10, 31)  # Table 16-2
SHORT_SLOT_TIMING = Timing(9, 10, 15)  # 18.3: ERP with short slots, 2.4 GHz
OFDM_TIMING = Timing(9, 16, 15)  # Table 17-21
AGGREGATION = {  # greatest A-MPDU that the standard's capability fields allow; block ack of 64 frames
    Standard.N: Aggregation(65_535, 64),
    Standard.AC: Aggregation(1_048_575, 64),
    Standard.AX: Aggregation(4_194_303, 64),
}
ASSUMED_STANDARD = Standard.AC
ALWAYS_DELIMITED = frozenset({"VHT", "HE"})  # a single frame, too, is an A-MPDU of one (10.12.7)


@dataclass(frozen=True, slots=True)
class Cell:
    """Everything that a frame's time in one cell depends on.

    With an access point, a packet from station to station is sent twice, and multicast goes up to it as
    unicast.  `protect`: RTS/CTS before each unicast transmission.
    """

    unicast: Mode
    multicast: Mode
    timing: Timing
    mac_bytes: int  # around the IP packet: MAC header, security, LLC/SNAP, FCS
    aggregation: Aggregation | None = None
    access_point: bool = True
    basic: tuple[Mode, ...] = ()  # rates of responses, ascending
    protect: bool = False
    beacon_units: int = BEACON_UNITS
    dtim: int = 1
    assumptions: tuple[str, ...] = ()

    @property
    def control(self) -> Mode:
        """Responses: the fastest basic rate that is not above the frame's (10.6.6.5.2)."""
        fitting = [m for m in self.basic if m.rate_bps <= self.unicast.reference_bps]
        return fitting[-1] if fitting else self.basic[0]


def mpdu_bytes(cell: Cell, ip_bytes: int) -> int:
    """The MAC frame around an IP packet."""
    return ip_bytes + cell.mac_bytes


def unicast_us(cell: Cell, ip_bytes: int) -> float:
    """One packet and its acknowledgement, from the first to the last microsecond; no waiting."""
    return burst_us(cell, (ip_bytes,))


def burst_us(cell: Cell, sizes: Sequence[int]) -> float:
    """Packets that one sender has ready at once for one receiver: aggregated as far as they may.

    Between transmissions only the shortest silence is counted; waiting is `waits_us`.
    """
    return sum(_transmission_us(cell, burst) for burst in _bursts(cell, tuple(sizes)))


def waits_us(cell: Cell, sizes: Sequence[int]) -> float:
    """The silences and mean backoffs that an undisturbed sender waits for these packets."""
    return len(_bursts(cell, tuple(sizes))) * access_us(cell)


def access_us(cell: Cell) -> float:
    """Silence and mean backoff before one transmission."""
    return cell.timing.gap_us + cell.timing.backoff_us


def multicast_us(cell: Cell, ip_bytes: int) -> float:
    """One packet to everybody: at the low rate, not acknowledged, never repeated (10.3.7; RFC 9119, 3)."""
    return cell.multicast.duration_us(mpdu_bytes(cell, ip_bytes))


def hops_us(cell: Cell, sizes: Sequence[int], *, many: bool = False) -> float:
    """Air that packets from one station to another (or to all) take, with the way over the access point."""
    up = burst_us(cell, sizes)
    if many:
        down = sum(multicast_us(cell, size) for size in sizes)
        return up + down if cell.access_point else down
    return up * 2 if cell.access_point else up


def waiting_us(cell: Cell, sizes: Sequence[int], *, many: bool = False) -> float:
    """Silences and mean backoffs that belong to `hops_us`."""
    up = waits_us(cell, sizes)
    if many:
        down = len(sizes) * access_us(cell)
        return up + down if cell.access_point else down
    return up * 2 if cell.access_point else up


def _transmission_us(cell: Cell, burst: tuple[int, ...]) -> float:
    sifs, control = cell.timing.sifs_us, cell.control
    frame = cell.unicast.duration_us(_psdu_bytes(cell, burst))
    response = control.duration_us(ACK_BYTES if len(burst) == 1 else BLOCK_ACK_BYTES)
    guard = 0.0
    if cell.protect:
        guard = control.duration_us(RTS_BYTES) + control.duration_us(CTS_BYTES) + 2 * sifs
    return guard + frame + sifs + response


def _psdu_bytes(cell: Cell, burst: tuple[int, ...]) -> int:
    frames = [mpdu_bytes(cell, size) for size in burst]
    if len(frames) == 1 and cell.unicast.family not in ALWAYS_DELIMITED:
        return frames[0]
    padded = sum(DELIMITER_BYTES + size + -size % 4 for size in frames)
    return padded - (-frames[-1] % 4)


@lru_cache(maxsize=4096)
def _bursts(cell: Cell, sizes: tuple[int, ...]) -> tuple[tuple[int, ...], ...]:
    """The packets as transmissions: as many in one as bytes, frames and time allow."""
    if cell.aggregation is None:
        return tuple((size,) for size in sizes)
    made, rest = [], iter(sizes)
    burst: list[int] = list(islice(rest, 1))
    for size in rest:
        longer = (*burst, size)
        psdu = _psdu_bytes(cell, longer)
        if (
            len(longer) > cell.aggregation.frames
            or psdu > cell.aggregation.bytes
            or cell.unicast.duration_us(psdu) > LONGEST_PPDU_US
        ):
            made.append(tuple(burst))
            burst = []
        burst.append(size)
    return (*made, tuple(burst)) if burst else tuple(made)


# -- what a cell can do at most, and what it always spends ------------------------------------------------


def greatest_throughput_bps(cell: Cell, ip_bytes: int, packets: int = 1) -> float:
    """IP bits a second from one sender to the next hop that always has `packets` ready (one hop, no loss).

    Jun, Peddabachagari and Sichitiu, "Theoretical maximum throughput of IEEE 802.11", NCA 2003.
    """
    sizes = (ip_bytes,) * packets
    return 8e6 * ip_bytes * packets / (burst_us(cell, sizes) + waits_us(cell, sizes))


def beacon_share(cell: Cell) -> float:
    """Share of the air that beacons take, their access included; 0 without an access point."""
    if not cell.access_point:
        return 0.0
    frame = cell.multicast.duration_us(BEACON_BYTES) + cell.timing.gap_us
    return frame / (cell.beacon_units * TIME_UNIT_US)


def multicast_hold_us(cell: Cell) -> tuple[float, float]:
    """Mean and worst wait of multicast at the access point until the beacon that announces it (11.2.3.4).

    It is held as soon as one station sleeps; where none ever does, there is no wait.
    """
    if not cell.access_point:
        return 0.0, 0.0
    interval = cell.beacon_units * TIME_UNIT_US * cell.dtim
    return interval / 2, interval


# -- a site's link as a cell ------------------------------------------------------------------------------


def cell_of(link: Link) -> Cell | None:
    """The cell of a Wi-Fi link; None for other links, and where the site declares no rate."""
    if link.kind is not LinkKind.WIFI or not link.rate_bps:
        return None
    standard = link.standard or ASSUMED_STANDARD
    low_band = _at_2_4_ghz(standard, link)
    unicast, multicast = _modes(standard, low_band, link.rate_bps, link.multicast_rate_bps)
    aggregation = None if unicast.is_plain else AGGREGATION.get(standard)
    quality = aggregation is not None
    timing = DSSS_TIMING if standard is Standard.B else SHORT_SLOT_TIMING if low_band else OFDM_TIMING
    cell = Cell(
        unicast,
        multicast,
        replace(timing, gap_slots=3) if quality else timing,
        MAC_HEADER_BYTES + QOS_BYTES * quality + CCMP_BYTES + LLC_SNAP_BYTES + FCS_BYTES,
        aggregation,
        link.access_point is not False,
        _basic(unicast, SIGNAL_EXTENSION_US * low_band),
    )
    return replace(cell, assumptions=tuple(_assumptions(link, cell, low_band)))


@lru_cache(maxsize=256)
def _modes(
    standard: Standard, low_band: bool, rate_bps: float, multicast_rate_bps: float | None
) -> tuple[Mode, Mode]:
    """The modes of unicast and of multicast."""
    steps = ladder(standard, low_band)
    plain = tuple(m for step in steps for m in step if m.is_plain)
    return nearest(steps, rate_bps), nearest((plain,), multicast_rate_bps or min(m.rate_bps for m in plain))


def _at_2_4_ghz(standard: Standard, link: Link) -> bool:
    """b and g are there only; n and ax are taken there where their multicast goes at a DSSS rate."""
    if standard in (Standard.B, Standard.G):
        return True
    return standard in (Standard.N, Standard.AX) and link.multicast_rate_bps in DSSS_RATES_BPS


def _basic(unicast: Mode, extension_us: float) -> tuple[Mode, ...]:
    if unicast.family == "DSSS":
        return tuple(dsss(rate) for rate in DSSS_RATES_BPS[:2])
    return tuple(ofdm(rate, extension_us) for rate in (6e6, 12e6, HIGHEST_CONTROL_BPS))


def _assumptions(link: Link, cell: Cell, low_band: bool) -> Iterator[str]:
    """What was taken because the site does not say it, in words."""
    if link.standard is None:
        yield f"802.11{ASSUMED_STANDARD.value} is taken where the site names no standard"
    yield f"unicast goes as {cell.unicast.name} ({cell.unicast.rate_bps / 1e6:.4g} Mbit/s)"
    yield f"multicast and beacons go as {cell.multicast.name}"
    yield f"{'2.4' if low_band else '5'} GHz, short slots, no stations of older standards"
    if link.access_point is None:
        yield "an access point is taken: from station to station the air is used twice"
    if cell.aggregation:
        most = cell.aggregation
        yield (
            f"packets that one sample has ready together are aggregated, up to {most.frames} frames "
            f"or {most.bytes:,} bytes"
        )
    yield "frames are encrypted (CCMP) and repeated only after collisions; no RTS/CTS"
    if cell.access_point:
        yield f"a beacon every {cell.beacon_units * TIME_UNIT_US / 1e3:.4g} ms, DTIM {cell.dtim}"
