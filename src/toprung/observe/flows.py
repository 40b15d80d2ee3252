"""Samples and dialogues to nouns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from toprung.model.picture import Dialogue, Guid, Mark, Samples, Spread
from toprung.observe.records import EXCUSED, WHOLE, WINDOW, SampleField, TalkField
from toprung.observe.shards import WAYS, Shard, tally_at, tally_of
from toprung.observe.spreads import Array, signed_spreads, spreads
from toprung.observe.traffic import direction


def samples_of(shard: Shard, own: frozenset[str]) -> list[Samples]:
    """One view's samples; of streams that differ in nothing but the interface the fullest."""
    best: dict[tuple[object, ...], Samples] = {}
    for found in _every_stream(shard, own):
        key = (found.writer, found.reader_entity, found.destination, found.port, found.outgoing)
        if key not in best or best[key].whole < found.whole:
            best[key] = found
    return list(best.values())


def _every_stream(shard: Shard, own: frozenset[str]) -> Iterator[Samples]:
    table, view = shard.folds.samples, shard.view
    r = table.record
    if not len(r):
        return
    rows = zip(
        *table.halves((0, 1), (0, 0), (1, 1), (1, 0), (2, 1), (2, 0)),
        r.tolist(),
        _excused(shard, r),
        _rates(r),
        *_spreads(shard, r),
        strict=True,
    )
    addresses, prefixes = shard.tables.addresses, shard.tables.prefixes
    for k, (prefix, writer, reader, target, port, way, c, excused, rate, between, age) in enumerate(rows):
        source, destination = addresses[c[SampleField.SOURCE]], addresses[target]
        whole, partial, last = c[SampleField.WHOLE], c[SampleField.PARTIAL], c[SampleField.LAST]
        expected = last - c[SampleField.START] + 1
        here = whole + partial - c[SampleField.EARLIER]
        yield Samples(
            view,
            Guid(prefixes[prefix], writer),
            reader,
            destination,
            port,
            multicast=bool(c[SampleField.MULTICAST]),
            outgoing=direction(WAYS[way & 3], source, destination, own),
            whole=whole,
            partial=partial,
            missing=max(0, expected - here - excused),
            excused=excused,
            repeats=c[SampleField.REPEATS],
            first_sequence=c[SampleField.LEAST],
            last_sequence=last,
            tally=tally_at(view, c, SampleField.ROWS),
            rate_hz=rate,
            between=between,
            age=age,
            payload_bytes=c[SampleField.SIZE_COMMON] or c[SampleField.SIZE_LARGEST],
            fragments=c[SampleField.FRAGMENTS],
            holes=tuple(_holes(shard, k, c)) if c[SampleField.HOLES] else (),
        )


def _spreads(shard: Shard, r: Array) -> tuple[list[Spread | None], list[Spread | None]]:
    """Times between samples, and ages."""
    histograms = shard.folds.histograms
    between = spreads(
        histograms,
        r[:, SampleField.BETWEEN],
        r[:, SampleField.BETWEEN_LEAST],
        r[:, SampleField.BETWEEN_MOST],
    )
    ages = signed_spreads(
        histograms,
        r[:, SampleField.AGE_ABOVE],
        r[:, SampleField.AGE_BELOW],
        r[:, SampleField.AGE_BASE],
        r[:, SampleField.AGE_LEAST],
        r[:, SampleField.AGE_MOST],
    )
    return between, ages


def _rates(r: Array) -> list[float | None]:
    """New samples per second."""
    news = r[:, SampleField.NEWS]
    span = r[:, SampleField.NEWS_LAST_NS] - r[:, SampleField.NEWS_FIRST_NS]
    known = (news > 1) & (span > 0)
    rates = np.where(known, (news - 1) * 1e9 / np.maximum(span, 1), 0.0)
    return [rate or None for rate in rates.tolist()]


def _excused(shard: Shard, r: Array) -> list[int]:
    """Excused numbers; those behind the last sample are not between samples, so they excuse nothing."""
    excused: list[int] = r[:, SampleField.EXCUSED].tolist()
    last, top = r[:, SampleField.LAST], r[:, SampleField.TOP]
    bits = shard.folds.samples.arrays["bits"]
    for k in np.flatnonzero(top > last).tolist():
        first = max(int(last[k]) + 1, int(top[k]) - WINDOW + 64)
        excused[k] -= sum(_bit(bits[k], s, EXCUSED) for s in range(first, int(top[k]) + 1))
    return excused


def _bit(bits: Array, sequence: int, what: int) -> int:
    """What a stream's window [words, 3] remembers of a number in it."""
    return int(bits[(sequence >> 6) % len(bits), what]) >> (sequence & 63) & 1


def _holes(shard: Shard, k: int, c: list[int]) -> Iterator[Mark]:
    """The remembered holes that nothing has filled since."""
    arrays = shard.folds.samples.arrays
    bits = arrays["bits"][k]
    for sequence, time_ns, packet in arrays["holes"][k, : c[SampleField.HOLES]].tolist():
        forgotten = sequence >> 6 <= (c[SampleField.TOP] >> 6) - len(bits)
        if forgotten or not (_bit(bits, sequence, WHOLE) or _bit(bits, sequence, EXCUSED)):
            yield Mark(time_ns, shard.view, packet)


def dialogues_of(shard: Shard) -> list[Dialogue]:
    """One view's dialogues.

    Heartbeats to any reader of a participant belong to the dialogues of its readers that answered; only
    where none did they make a dialogue of their own.  Heartbeats to anybody that came before the first
    dialogue of their writer make one whose reader has the prefix b"".
    """
    table = shard.folds.talk
    n = table.used
    if not n:
        return []
    record: Array = table.record
    answers = spreads(
        shard.folds.histograms,
        record[:, TalkField.ANSWERS],
        record[:, TalkField.ANSWER_LEAST],
        record[:, TalkField.ANSWER_MOST],
    )
    keys = zip(*table.halves((0, 1), (0, 0), (1, 1), (1, 0)), strict=True)
    found = [
        _dialogue(shard, r, Guid(shard.prefix(wp), w), Guid(shard.prefix(rp), e), answer)
        for r, (wp, w, rp, e), answer in zip(record.tolist(), keys, answers, strict=True)
    ]
    return _settled(found)


def _dialogue(shard: Shard, r: list[int], writer: Guid, reader: Guid, answer: Spread | None) -> Dialogue:
    demands = r[TalkField.DEMANDS]
    waited = r[TalkField.DEMAND_LAST_NS] - r[TalkField.DEMAND_FIRST_NS] if demands else 0
    return Dialogue(
        view=shard.view,
        writer=writer,
        reader=reader,
        heartbeats=tally_of(shard.view, r[TalkField.BEATS : TalkField.BEATS + 6]),
        acknacks=tally_of(shard.view, r[TalkField.ACKS : TalkField.ACKS + 6]),
        asked_again=r[TalkField.ASKED],
        written_upto=r[TalkField.WRITTEN],
        acknowledged_below=r[TalkField.ACKNOWLEDGED],
        unanswered=demands,
        unanswered_s=waited / 1e9,
        answer=answer,
    )


def _settled(dialogues: list[Dialogue]) -> list[Dialogue]:
    """Dialogues with any reader, given to the readers that answered."""
    answered: set[tuple[Guid, bytes]] = {(d.writer, d.reader.prefix) for d in dialogues if d.reader.entity}
    general = {(d.writer, d.reader.prefix): d for d in dialogues if not d.reader.entity and d.reader.prefix}
    kept = []
    for d in dialogues:
        if d.reader.entity:
            kept.append(_with_general(d, general.get((d.writer, d.reader.prefix))))
        elif (d.writer, d.reader.prefix) not in answered:
            kept.append(d)
    return kept


def _with_general(d: Dialogue, general: Dialogue | None) -> Dialogue:
    """A reader's dialogue with the heartbeats that came before its first answer."""
    if general is None or general.heartbeats is None:
        return d
    if d.heartbeats is not None and d.heartbeats.count >= general.heartbeats.count:
        return d
    written = max(d.written_upto, general.written_upto)
    return replace(d, heartbeats=general.heartbeats, written_upto=written)


def flows_of(
    shards: Sequence[Shard], own: Sequence[frozenset[str]]
) -> tuple[tuple[Samples, ...], tuple[Dialogue, ...]]:
    """All views' samples and dialogues."""
    samples = [s for shard in shards for s in samples_of(shard, own[shard.view])]
    dialogues = [d for shard in shards for d in dialogues_of(shard)]
    return tuple(samples), tuple(dialogues)
