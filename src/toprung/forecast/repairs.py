"""What a reliable stream adds where packets are lost or slow: repeats, and the answers that ask for them.

As traced between real peers on lossy links (`tests/live/data_check.py`): one library repeats fragment by
fragment, the first of a wholly lost sample alone and the rest when asked again; the other repeats in one
message all that was lost since the last answer.  Every repeat can be lost, too.  And without any loss, a
great sample on a slow link is asked for while it is still on its way.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from toprung.forecast.fragments import any_lost, fragment_count, ip_packets
from toprung.forecast.frames import (
    DATA_BYTES,
    DATA_FRAG_BYTES,
    Way,
    heartbeat_payload,
    is_cut,
    padded,
    payloads_of,
)
from toprung.forecast.profile import DataPhase
from toprung.forecast.reliable import KEPT_SAMPLES, Upkeep
from toprung.wire.ids import HEADER_LENGTH, Sub
from toprung.wire.messages import SUBMESSAGE_HEADER_BYTES

INFO_DST_BYTES = SUBMESSAGE_HEADER_BYTES + Sub.INFO_DST.least
INFO_TS_BYTES = SUBMESSAGE_HEADER_BYTES + 8  # seconds and fraction
BITMAP_BYTES = 4  # one word names what is missing
NACK_FRAG_BYTES = SUBMESSAGE_HEADER_BYTES + Sub.NACK_FRAG.least + BITMAP_BYTES
WAY = Way(True, True, False)


@dataclass(frozen=True, slots=True)
class Lossy:
    """A reliable stream on its way to one reader."""

    size_bytes: int
    rate_hz: float
    loss: float  # of a packet
    mtu_bytes: int
    carrying_s: float = 0.0  # one sample, over the slowest link

    def lost(self, payload_bytes: float) -> float:
        """The chance that a message is lost."""
        return any_lost(self.loss, len(ip_packets(int(payload_bytes), self.mtu_bytes)))

    def tries(self, payload_bytes: float) -> float:
        """How often a message is sent until it comes; newer samples push it out of the history at last."""
        lost = self.lost(payload_bytes)
        return min(1 / (1 - lost), KEPT_SAMPLES) if lost < 1 else KEPT_SAMPLES


@dataclass(frozen=True, slots=True)
class Again:
    """A message that loss adds: UDP payload, how often a second, and whether it is the reader's."""

    payload_bytes: int
    rate_hz: float
    answer: bool = False


def repairs_of(lossy: Lossy, data: DataPhase, upkeep: Upkeep, answer_bytes: int) -> Iterator[Again]:
    """The messages that loss and slowness add to a stream; `answer_bytes`: the reader's plain answer."""
    if is_cut(lossy.size_bytes, data) and not data.heartbeat_always:
        yield from _asked_too_early(lossy, data, answer_bytes)
    if lossy.loss <= 0:
        return
    if is_cut(lossy.size_bytes, data):
        yield from _of_fragments(lossy, data, upkeep, answer_bytes)
    elif data.repairs_by_fragment:
        yield from _of_samples(lossy, data, upkeep, answer_bytes)
    else:
        yield from _of_batches(lossy, data, upkeep, answer_bytes)


def _asked_too_early(lossy: Lossy, data: DataPhase, answer_bytes: int) -> Iterator[Again]:
    """Where each fragment carries a heartbeat, the reader asks for those that are still on their way, as soon
    as its delay after a heartbeat is over, and again after later ones; each is sent twice or more often."""
    payloads = payloads_of(lossy.size_bytes, data, WAY)
    gap_s = lossy.carrying_s / len(payloads)
    at_s, asked, missing = gap_s + data.answer_delay_s, 0, 0.0
    while at_s < lossy.carrying_s:
        asked += 1
        missing += len(payloads) + 0.5 - at_s / gap_s  # the mean: a part of one has come
        at_s += max(gap_s, data.answer_delay_s + gap_s / 2)
    if asked:
        yield Again(payloads[0], lossy.rate_hz * missing)
        yield Again(answer_bytes + NACK_FRAG_BYTES, lossy.rate_hz * asked, True)


def _of_samples(lossy: Lossy, data: DataPhase, upkeep: Upkeep, answer_bytes: int) -> Iterator[Again]:
    """Whole samples, repeated one by one: those above a fragment in fragments, of which the first comes
    with a heartbeat of its own and the others when that is answered."""
    sent = payloads_of(lossy.size_bytes, data, WAY)
    lost_hz = lossy.rate_hz * lossy.lost(sent[0])
    pieces = fragment_count(lossy.size_bytes, data.fragment_bytes)
    for payload in _repeat(lossy.size_bytes, data):
        yield Again(payload, lost_hz * lossy.tries(payload))
    if pieces > 1:
        yield Again(heartbeat_payload(data, False), lost_hz)
        yield Again(answer_bytes + NACK_FRAG_BYTES, lost_hz, True)
    if not upkeep.answers_hz:  # else these take the place of answers that were due
        yield Again(answer_bytes + BITMAP_BYTES, lost_hz, True)
        yield Again(answer_bytes, lost_hz, True)


def _repeat(size_bytes: int, data: DataPhase) -> Iterator[int]:
    """The messages of one repeated sample."""
    if size_bytes <= data.fragment_bytes:
        yield payloads_of(size_bytes, data, WAY)[-1] + INFO_DST_BYTES
        return
    around = HEADER_LENGTH + INFO_DST_BYTES + DATA_FRAG_BYTES
    pieces = fragment_count(size_bytes, data.fragment_bytes)
    yield around + INFO_TS_BYTES + data.fragment_bytes
    yield from (around + data.fragment_bytes for _ in range(pieces - 2))
    yield around + padded(size_bytes - (pieces - 1) * data.fragment_bytes) + data.heartbeat_bytes


def _of_batches(lossy: Lossy, data: DataPhase, upkeep: Upkeep, answer_bytes: int) -> Iterator[Again]:
    """Whole samples; all that were lost since the last answer go in one message, as far as it holds them."""
    (sent,) = payloads_of(lossy.size_bytes, data, Way(True, False, False))
    lost = lossy.lost(sent)
    one = INFO_TS_BYTES + DATA_BYTES + padded(lossy.size_bytes)
    around = sent - one
    between = lossy.rate_hz / upkeep.answers_hz if upkeep.answers_hz else 1.0
    most = max(1, (data.message_bytes - around) // one)
    batch = min(1 + max(0.0, between - 1) * lost, most)  # of those that are with a lost one
    payload = int(around + batch * one)
    again_hz = lossy.rate_hz * lost / batch * lossy.tries(payload)
    yield Again(payload, again_hz)
    yield Again(answer_bytes + BITMAP_BYTES, again_hz, True)


def _of_fragments(lossy: Lossy, data: DataPhase, upkeep: Upkeep, answer_bytes: int) -> Iterator[Again]:
    """Samples that go in fragments: those that were lost are asked for by number."""
    sent = payloads_of(lossy.size_bytes, data, Way(True, False, False))
    held = data.fragment_bytes * data.fragments_per_message
    packets = 0
    for payload in sent:
        packets += len(ip_packets(payload, lossy.mtu_bytes))
        lost_hz = lossy.rate_hz * lossy.lost(payload)
        if data.repairs_by_fragment:
            again = HEADER_LENGTH + INFO_DST_BYTES + DATA_FRAG_BYTES + data.fragment_bytes
            pieces = min(payload, held) / data.fragment_bytes
            yield Again(again, lost_hz * pieces * lossy.tries(again))
        else:
            yield Again(payload, lost_hz * lossy.tries(payload))
    asked_hz = lossy.rate_hz * any_lost(lossy.loss, packets)
    yield Again(answer_bytes + NACK_FRAG_BYTES, asked_hz, True)
    if not upkeep.answers_hz:
        yield Again(answer_bytes, asked_hz, True)
