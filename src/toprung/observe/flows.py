"""Samples and dialogues to nouns."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from toprung.model.picture import Dialogue, Guid, Mark, Samples, Spread
from toprung.observe.records import WINDOW, SampleField, TalkField
from toprung.observe.shards import WAYS, Shard, tally_of
from toprung.observe.spreads import Array, spreads
from toprung.observe.traffic import direction


def samples_of(shard: Shard, own: frozenset[str]) -> list[Samples]:
    """One view's samples; of streams that differ in nothing but the interface the fullest."""
    table = shard.folds.samples
    n = table.used
    if not n:
        return []
    record, arrays = table.record, table.arrays
    between = spreads(
        arrays["between"][:n], record[:, SampleField.BETWEEN_LEAST], record[:, SampleField.BETWEEN_MOST]
    )
    ages = spreads(
        arrays["ages"][:n],
        record[:, SampleField.AGE_LEAST],
        record[:, SampleField.AGE_MOST],
        base_ns=record[:, SampleField.AGE_BASE],
    )
    keys = zip(*table.halves((0, 1), (0, 0), (1, 1), (1, 0), (2, 1), (2, 0)), strict=True)
    best: dict[tuple[object, ...], Samples] = {}
    for k, (r, (prefix, writer, reader, target, port, way)) in enumerate(
        zip(record.tolist(), keys, strict=True)
    ):
        source, destination = shard.address(r[SampleField.SOURCE]), shard.address(target)
        outgoing = direction(WAYS[way & 3], source, destination, own)
        found = _samples(
            shard,
            k,
            r,
            Guid(shard.prefix(prefix), writer),
            (reader, destination, port, outgoing),
            between[k],
            ages[k],
        )
        key = (found.writer, reader, destination, port, outgoing)
        if key not in best or best[key].whole < found.whole:
            best[key] = found
    return list(best.values())


def _samples(
    shard: Shard,
    k: int,
    r: list[int],
    writer: Guid,
    where: tuple[int, str, int, bool | None],
    between: Spread | None,
    age: Spread | None,
) -> Samples:
    reader, destination, port, outgoing = where
    tally = tally_of(shard.view, r[SampleField.ROWS : SampleField.ROWS + 6])
    assert tally is not None
    whole, partial, last = r[SampleField.WHOLE], r[SampleField.PARTIAL], r[SampleField.LAST]
    excused = r[SampleField.EXCUSED] - _excused_after(shard, k, last, r[SampleField.TOP])
    expected = last - r[SampleField.START] + 1
    missing = expected - (whole + partial - r[SampleField.EARLIER]) - excused
    span = r[SampleField.NEWS_LAST_NS] - r[SampleField.NEWS_FIRST_NS]
    news = r[SampleField.NEWS]
    return Samples(
        view=shard.view,
        writer=writer,
        reader_entity=reader,
        destination=destination,
        port=port,
        multicast=bool(r[SampleField.MULTICAST]),
        outgoing=outgoing,
        whole=whole,
        partial=partial,
        missing=max(0, missing),
        excused=excused,
        repeats=r[SampleField.REPEATS],
        first_sequence=r[SampleField.LEAST],
        last_sequence=last,
        tally=tally,
        rate_hz=(news - 1) * 1e9 / span if news > 1 and span > 0 else None,
        between=between,
        age=age,
        payload_bytes=_size(r),
        fragments=r[SampleField.FRAGMENTS],
        holes=tuple(_holes(shard, k, r)),
    )


def _size(r: list[int]) -> int:
    """The commonest size of whole samples; where there is none, the largest known."""
    return r[SampleField.SIZE_COMMON] or r[SampleField.SIZE_LARGEST]


def _excused_after(shard: Shard, k: int, last: int, top: int) -> int:
    """Excused numbers behind the last sample: they are not between samples, so they excuse nothing."""
    if top <= last:
        return 0
    bits = shard.folds.samples.arrays["excused"][k]
    return sum(_bit(bits, s) for s in range(max(last + 1, top - WINDOW + 1), top + 1))


def _bit(bits: Any, sequence: int) -> int:
    place = sequence % WINDOW
    return int(bits[place >> 6]) >> (place & 63) & 1


def _holes(shard: Shard, k: int, r: list[int]) -> Iterable[Mark]:
    """The remembered holes that nothing has filled since."""
    arrays = shard.folds.samples.arrays
    for sequence, time_ns, packet in arrays["holes"][k, : r[SampleField.HOLES]].tolist():
        forgotten = sequence <= r[SampleField.TOP] - WINDOW
        if forgotten or not (_bit(arrays["whole"][k], sequence) or _bit(arrays["excused"][k], sequence)):
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
        table.arrays["answers"][:n], record[:, TalkField.ANSWER_LEAST], record[:, TalkField.ANSWER_MOST]
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
