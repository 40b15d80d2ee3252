"""The PHYs of IEEE 802.11 b, g, a, n, ac and ax: how long a frame of so many bytes takes.

Clauses of IEEE 802.11-2020 (and 802.11ax-2021 for HE): 15 and 16 (DSSS, HR/DSSS), 17 (OFDM), 18 (ERP), 19
(HT), 21 (VHT), 27 (HE).  Times are microseconds, as the standard writes them.  Every PHY is of one form: a
preamble, then whole symbols of so many data bits, then a silence; so there is one `Mode` and no branches.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import ceil, floor

from toprung.model.site import Standard

SERVICE_BITS, TAIL_BITS = 16, 6  # 17.3.2.2; one encoder, as all modes here have or nearly have
SIGNAL_EXTENSION_US = 6.0  # 18.3.2.4: OFDM families at 2.4 GHz


PLAIN_FAMILIES = frozenset({"DSSS", "OFDM"})


@dataclass(frozen=True, slots=True)
class Mode:
    """One way to send bits.  `reference_bps`: the non-HT rate that stands for it where a response is
    chosen (10.6.11).  `streams` and `width_hz` say which of several modes of one rate it is.
    """

    name: str
    family: str
    rate_bps: float
    preamble_us: float
    symbol_us: float
    bits_per_symbol: float
    frame_bits: int = SERVICE_BITS + TAIL_BITS
    extension_us: float = 0.0
    reference_bps: float = 0.0
    streams: int = 1
    width_hz: float = 20e6

    @property
    def is_plain(self) -> bool:
        """Whether every station hears it: DSSS or non-HT OFDM, in which multicast and responses go."""
        return self.family in PLAIN_FAMILIES

    def duration_us(self, psdu_bytes: int) -> float:
        """From the first to the last microsecond of a frame of `psdu_bytes`, MAC header and FCS included."""
        symbols = ceil((8 * psdu_bytes + self.frame_bits) / self.bits_per_symbol)
        return self.preamble_us + symbols * self.symbol_us + self.extension_us


@dataclass(frozen=True, slots=True)
class Coding:
    """A modulation and code rate: data bits a subcarrier carries, and the OFDM rate that stands for it."""

    bits: float
    reference_bps: float


MCS = (  # 19.5, 21.5, 27.5: the same ladder in HT (0-7), VHT (0-9) and HE (0-11); references: Table 10-10
    Coding(1 / 2, 6e6),
    Coding(2 / 2, 12e6),
    Coding(2 * 3 / 4, 18e6),
    Coding(4 / 2, 24e6),
    Coding(4 * 3 / 4, 36e6),
    Coding(6 * 2 / 3, 48e6),
    Coding(6 * 3 / 4, 54e6),
    Coding(6 * 5 / 6, 54e6),
    Coding(8 * 3 / 4, 54e6),
    Coding(8 * 5 / 6, 54e6),
    Coding(10 * 3 / 4, 54e6),
    Coding(10 * 5 / 6, 54e6),
)


@dataclass(frozen=True, slots=True)
class Family:
    """HT, VHT or HE: data subcarriers by width, useful symbol time, guard intervals (longest last is not
    implied: the usual one is first), preamble of one stream, each further training field, greatest MCS.
    """

    name: str
    subcarriers: tuple[tuple[int, int], ...]  # (MHz, data subcarriers)
    useful_us: float
    guards_us: tuple[float, ...]
    fixed_us: float  # preamble without its training fields
    training_us: float
    greatest_mcs: int
    missing: frozenset[tuple[int, int, int]] = frozenset()  # (MHz, MCS, streams) the standard leaves out


HT = Family("HT", ((20, 52), (40, 108)), 3.2, (0.8, 0.4), 20 + 8 + 4, 4, 7)  # L, HT-SIG, HT-STF; HT-LTF
VHT = Family(
    "VHT",
    ((20, 52), (40, 108), (80, 234), (160, 468)),
    3.2,
    (0.8, 0.4),
    20 + 8 + 4 + 4,  # L, VHT-SIG-A, VHT-STF, VHT-SIG-B; VHT-LTF
    4,
    9,
    frozenset({(20, 9, 1), (20, 9, 2), (20, 9, 4), (80, 6, 3), (160, 9, 3)}),
)
HE = Family(
    "HE",
    ((20, 234), (40, 468), (80, 980), (160, 1960)),
    12.8,
    (0.8, 1.6, 3.2),
    20 + 4 + 8 + 4,  # L, RL-SIG, HE-SIG-A, HE-STF; HE-LTF
    8,
    11,
)
TRAINING_FIELDS = (0, 1, 2, 4, 4)  # by spatial streams (19.3.9.4.6)
MOST_STREAMS = 4

DSSS_LONG_US, DSSS_SHORT_US = 144.0 + 48.0, 72.0 + 24.0  # 16.2.2: PLCP preamble and header
OFDM_PREAMBLE_US, OFDM_SYMBOL_US = 16.0 + 4.0, 4.0  # 17.3.2
OFDM_RATES_BPS = (6e6, 9e6, 12e6, 18e6, 24e6, 36e6, 48e6, 54e6)
DSSS_RATES_BPS = (1e6, 2e6, 5.5e6, 11e6)


def dsss(rate_bps: float, short: bool = False) -> Mode:
    """DSSS and CCK; the lowest rate always has the long preamble (16.2.2.3)."""
    preamble = DSSS_SHORT_US if short and rate_bps > DSSS_RATES_BPS[0] else DSSS_LONG_US
    name = f"DSSS {rate_bps / 1e6:g} Mbit/s"
    return Mode(name, "DSSS", rate_bps, preamble, 1.0, rate_bps / 1e6, 0, 0.0, rate_bps, 1, 22e6)


def ofdm(rate_bps: float, extension_us: float = 0.0) -> Mode:
    """Non-HT OFDM of 20 MHz: a, and g where the signal extension is added."""
    bits = rate_bps * OFDM_SYMBOL_US / 1e6
    name = f"OFDM {rate_bps / 1e6:g} Mbit/s"
    return Mode(
        name,
        "OFDM",
        rate_bps,
        OFDM_PREAMBLE_US,
        OFDM_SYMBOL_US,
        bits,
        extension_us=extension_us,
        reference_bps=rate_bps,
    )


def mode(
    family: Family,
    width_mhz: int,
    mcs: int,
    streams: int = 1,
    guard_us: float | None = None,
    extension_us: float = 0.0,
) -> Mode:
    """A mode of HT, VHT or HE; `guard_us` None: the family's usual guard interval."""
    guard = family.guards_us[0] if guard_us is None else guard_us
    coding = MCS[mcs]
    bits = floor(dict(family.subcarriers)[width_mhz] * coding.bits * streams + 1e-9)
    symbol = family.useful_us + guard
    return Mode(
        f"{family.name}{width_mhz} MCS {mcs}, {streams} stream{'s' * (streams > 1)}, guard {guard:g} us",
        family.name,
        bits / symbol * 1e6,
        family.fixed_us + family.training_us * TRAINING_FIELDS[streams],
        symbol,
        bits,
        extension_us=extension_us,
        reference_bps=coding.reference_bps,
        streams=streams,
        width_hz=width_mhz * 1e6,
    )


@cache
def modes(family: Family, extension_us: float = 0.0) -> tuple[Mode, ...]:
    """Every mode of a family with up to four streams."""
    return tuple(
        mode(family, width, mcs, streams, guard, extension_us)
        for width, _ in family.subcarriers
        for mcs in range(family.greatest_mcs + 1)
        for streams in range(1, MOST_STREAMS + 1)
        for guard in family.guards_us
        if (width, mcs, streams) not in family.missing
    )


FAMILIES = {Standard.N: HT, Standard.AC: VHT, Standard.AX: HE}
ROUNDED = 1.005  # "433 Mbit/s" is 433.3: rates are written rounded


def ladder(standard: Standard, band_2_4: bool) -> tuple[tuple[Mode, ...], ...]:
    """The modes that a station of this standard may send in, newest family first."""
    extension = SIGNAL_EXTENSION_US * band_2_4
    newest = FAMILIES.get(standard)
    steps = [modes(newest, extension)] if newest else []
    if standard is not Standard.B:
        steps.append(tuple(ofdm(rate, extension) for rate in OFDM_RATES_BPS))
    if band_2_4:
        steps.append(tuple(map(dsss, DSSS_RATES_BPS)))
    return tuple(steps)


def nearest(steps: tuple[tuple[Mode, ...], ...], rate_bps: float) -> Mode:
    """The fastest mode at or below a rate, of the newest family that has one; else the slowest of all.

    Of several modes with that rate: fewest streams, then narrowest channel, then longest guard interval.
    """
    for step in steps:
        fitting = [m for m in step if m.rate_bps <= rate_bps * ROUNDED]
        if fitting:
            return min(fitting, key=lambda m: (-round(m.rate_bps), m.streams, m.width_hz, -m.symbol_us))
    return min(steps[-1], key=lambda m: m.rate_bps)
