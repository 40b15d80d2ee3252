"""The phases of the discovery exchange, each a sum over pairs: announce, meet, introduce, confirm."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from toprung.forecast.announcing import Sizes
from toprung.forecast.company import Bools, Floats
from toprung.forecast.exchange import WINDOW_S, Exchange, Size
from toprung.forecast.ledger import Ledger, Matrix
from toprung.forecast.profile import Groups, Rules

PMD: Groups = (("pmd",),)


def exchanged(exchange: Exchange) -> Ledger:
    """The whole start of a company, second by second."""
    announce(exchange)
    meet(exchange)
    answer(exchange)
    greet(exchange)
    introduce(exchange)
    introduce_late(exchange)
    echo(exchange)
    confirm(exchange)
    live(exchange)
    return exchange.ledger


def steady(exchange: Exchange) -> Ledger:
    """One second of what goes on when everybody knows everybody."""
    ledger = exchange.ledger
    known = exchange.pairs.remote
    hot = (1.0 / exchange.company.per_rule("period_s"))[:, None].astype("f4")
    _announced(exchange, hot, known, probing=exchange.rows(lambda r: r.probing is None))
    period = exchange.company.per_rule("liveliness_period_s")
    _asserted(exchange, (1.0 / period)[:, None].astype("f4"), known)
    return ledger


def _announced(exchange: Exchange, hot: Matrix, known: Matrix, probing: Floats) -> None:
    """One announcement of everybody, `hot` often; `probing`: the share of them that tries all ports."""
    ledger, size = exchange.ledger, (np.ones(len(hot)), exchange.announcement)
    multicast = exchange.multicast
    for kind in (0, 1):
        ledger.multicast[kind] += hot * (multicast * size[kind])[:, None]
    ports = exchange.company.per_rule("probed_ports")
    tries = ports * probing
    ledger.probe(hot, (probing > 0) & ~multicast, (tries, tries * exchange.announcement))
    told = exchange.rows(lambda r: r.to_known) + (probing == 0) * ~multicast > 0
    ledger.spread(known * told[:, None], hot, size)


def announce(exchange: Exchange) -> None:
    """The first burst and the periodic announcements."""
    company = exchange.company
    kinds = {p.middleware: p.rules for p in company.profiles}
    for middleware, rules in kinds.items():
        own = company.where(middleware)
        for turn, offset in enumerate(_offsets(rules, exchange.ledger.window_s)):
            times = company.starts_s + offset
            hot = exchange.ledger.bins(times) * own[:, None]
            probes = 1.0 if rules.probing is None else min(1.0, max(0.0, rules.probing - turn))
            _announced(exchange, hot, exchange.known_at(times), np.full(company.count, probes))


def _offsets(rules: Rules, window_s: float) -> list[float]:
    """When after its start a participant announces itself, within the window."""
    first = list(rules.first_announcements_s)
    more = int(max(0.0, window_s - first[-1]) / rules.period_s)
    return first + [first[-1] + rules.period_s * (turn + 1) for turn in range(more)]


def meet(exchange: Exchange) -> None:
    """Announcements because somebody new was met, by all who do so."""
    ledger, pairs = exchange.ledger, exchange.pairs
    eager = exchange.rows(lambda r: r.on_meeting)
    if not eager.any():
        return
    hot = ledger.bins(exchange.company.starts_s)
    met = pairs.met * eager[:, None]
    heard = (pairs.remote @ met) * np.triu(np.ones_like(met))  # how many tell i about themselves when j comes
    size = np.ones(len(hot)), exchange.announcement
    own = pairs.met.sum(0) * eager  # a newcomer's meetings, one announcement each
    ports = exchange.company.per_rule("probed_ports")
    probing = (eager > 0) & ~exchange.multicast
    for kind in (0, 1):
        s = size[kind]
        ledger.multicast[kind] += (met @ hot + hot * own[:, None]) * (exchange.multicast * s)[:, None]
        ledger.sent[kind] += ((met * pairs.known) @ hot) * s[:, None]
    mean = exchange.announcement.mean()
    for kind, s in enumerate((1.0, mean)):
        ledger.received[kind] += (heard @ hot) * s
    ledger.probe(met @ hot + hot * own[:, None], probing, (ports, ports * exchange.announcement))
    turns = (own + eager) / 2
    ledger.from_newcomer(pairs.up, (turns, turns * exchange.announcement))


def answer(exchange: Exchange) -> None:
    """Unicast announcements to one newly met."""
    hears = exchange.company.hears.T
    direct = exchange.pairs.up * hears
    turned = exchange.pairs.up * ~hears  # only the newcomer hears the other one
    for middleware, rules in exchange.rules.items():
        own = exchange.company.where(middleware)
        size = own.astype("f8"), own * exchange.announcement
        for after in rules.answers_s:
            exchange.ledger.to_newcomer(direct, size, after)
            exchange.ledger.from_newcomer(exchange.pairs.crossed, size, after)
            exchange.ledger.from_newcomer(turned, size, after + rules.period_s / 2)


def greet(exchange: Exchange) -> None:
    """Heartbeats to one newly met, and what readers do that get none."""
    ledger, pairs = exchange.ledger, exchange.pairs
    full = exchange.size(lambda s, r: s.heartbeats(r.heartbeats))
    lesser = exchange.size(lambda s, r: s.heartbeats(_without(r.heartbeats, r.remaining)))
    greeted = pairs.up * pairs.heartbeat
    ledger.to_newcomer(greeted * pairs.many, lesser)
    ledger.to_newcomer(greeted * (1 - pairs.many), full)
    ledger.from_newcomer(pairs.up, full)
    asked = exchange.size(lambda s, r: s.acknacks(r.asks))
    rests = exchange.rows(lambda r: r.rest_s > 0)
    early = np.maximum(pairs.first, exchange.missed) * rests[:, None] * pairs.heartbeat
    missed: Matrix = (pairs.up * (early + (1 - pairs.heartbeat))).astype("f4")
    ledger.from_newcomer(missed, asked)
    ledger.to_newcomer(missed, full)
    company = exchange.company
    here = (company.machine[:, None] == company.machine[None, :]) & company.meets
    alone = ~np.triu(here, 1).any(0)
    later = np.where(alone, 1 - 1 / np.maximum(1, pairs.up.sum(0)), 1.0) * rests
    ledger.to_newcomer((pairs.up * later[None, :]).astype("f4"), asked)
    _remaining(exchange)


def _without(groups: Groups, remaining: Groups) -> Groups:
    out = {writer for group in remaining for writer in group}
    return tuple(tuple(writer for writer in group if writer not in out) for group in groups)


def _asking(exchange: Exchange, groups: Callable[[Rules], Groups]) -> tuple[Size, Size]:
    """Heartbeats to everybody and the answers.  Without multicast each writer's travel alone."""
    cast = exchange.multicast
    beats, alone = (_beats(exchange, groups, apart) for apart in (False, True))
    answers, single = (_answers(exchange, groups, apart) for apart in (False, True))
    return _where(cast, beats, alone), _where(cast, answers, single)


def _beats(exchange: Exchange, groups: Callable[[Rules], Groups], apart: bool) -> Size:
    return exchange.size(lambda s, r: s.heartbeats(_parted(groups(r), apart), addressed=False))


def _answers(exchange: Exchange, groups: Callable[[Rules], Groups], apart: bool) -> Size:
    return exchange.size(lambda s, r: s.acknacks(_parted(groups(r), apart)))


def _parted(groups: Groups, apart: bool) -> Groups:
    return tuple((writer,) for group in groups for writer in group) if apart else groups


def _remaining(exchange: Exchange) -> None:
    """Heartbeats by multicast because of one newcomer, which everybody answers."""
    ledger, pairs = exchange.ledger, exchange.pairs
    has = exchange.rows(lambda r: bool(r.remaining))
    if not has.any():
        return
    hot = ledger.bins(exchange.company.starts_s)
    told = pairs.met * pairs.many * pairs.heartbeat * has[:, None]
    beats, answers = _asking(exchange, lambda r: r.remaining)
    before = pairs.known - pairs.up
    heard = (pairs.remote @ told) * np.triu(np.ones_like(told), 1)
    for kind in (0, 1):
        ledger.multicast[kind] += (told @ hot) * (exchange.multicast * beats[kind])[:, None]
        single = ~exchange.multicast * beats[kind]
        ledger.sent[kind] += ((told * pairs.known) @ hot) * single[:, None]
        ledger.received[kind] += (heard @ hot) * single.mean()
        ledger.received[kind] += ((told * before) @ hot) * answers[kind].mean()
        ledger.sent[kind] += (heard @ hot) * answers[kind][:, None]


def introduce(exchange: Exchange) -> None:
    """What one has is asked for, sent in bulk, and acknowledged."""
    ledger, pairs = exchange.ledger, exchange.pairs
    ask = exchange.size(lambda s, r: s.acknacks(r.asks, missing=len(PMD) * r.lively))
    whole = exchange.size(lambda s, r: s.acknacks(r.asks, missing=2 + r.lively))
    ledger.to_newcomer(pairs.up, ask)
    ledger.from_newcomer(pairs.up, whole)
    bulk = bulk_of(exchange)
    nothing = exchange.size(_empty)
    late = exchange.company.late_s > exchange.settling_s
    ledger.to_newcomer(pairs.up * (1 - pairs.fresh), bulk)
    ledger.to_newcomer(pairs.up * pairs.fresh, nothing)
    ledger.from_newcomer(pairs.up, _where(late, nothing, bulk))
    acked = exchange.size(lambda s, r: _if(r.acknowledges, s.acknacks(_confirmed(r))))
    alive = exchange.size(lambda s, r: _if(r.acknowledges, s.acknacks(PMD)))
    ledger.from_newcomer(pairs.up, acked)
    ledger.to_newcomer(pairs.up, alive)


def _if(holds: bool, size: tuple[float, float]) -> tuple[float, float]:
    return size if holds else (0, 0)


def _confirmed(rules: Rules) -> Groups:
    """Writers whose data in bulk is acknowledged."""
    writers = tuple(writer for group in rules.confirms for writer in group)
    return ((*writers, "pmd"),) if rules.lively else (writers,)


def _where(which: Bools, one: Size, other: Size) -> Size:
    return np.where(which, one[0], other[0]), np.where(which, one[1], other[1])


def _empty(sizes: Sizes, rules: Rules) -> tuple[float, float]:
    if not rules.lively:
        return 0, 0
    return sizes.bulk((len(sizes.alive()),), len(sizes.beat("pmd")))


def bulk_of(exchange: Exchange) -> Size:
    """(datagrams, bytes) of everything that each participant introduces, sent in bulk."""
    out = np.zeros((exchange.company.count, 2))
    for row, (parts, profile) in enumerate(
        zip(exchange.company.parts, exchange.company.profiles, strict=True)
    ):
        sizes, rules = exchange.sizes[profile.middleware], profile.rules
        writers = int(exchange.company.writers[row])
        sides = (parts[:writers], parts[writers:])
        if rules.lively:
            out[row] = sizes.bulk((*parts, len(sizes.alive())), len(sizes.beat("pub")) * 3)
        else:
            out[row] = np.sum([sizes.bulk(side, 0) for side in sides if side], axis=0) if parts else 0
    return out[:, 0], out[:, 1]


def introduce_late(exchange: Exchange) -> None:
    """Endpoints made after the meeting: each in a message of its own, to everybody known by then."""
    company, ledger = exchange.company, exchange.ledger
    late = company.late_s > exchange.settling_s
    times = company.starts_s + company.late_s
    known = exchange.known_at(times) * late[:, None]
    frame = exchange.size(lambda s, r: (1, s.message(addressed=False)))[1]
    sizes = company.endpoints.astype("f8"), np.array([float(sum(p)) for p in company.parts])
    size = sizes[0], sizes[1] + sizes[0] * frame
    ledger.spread(known, ledger.bins(times), size, exchange.casts(known))


def echo(exchange: Exchange) -> None:
    """Heartbeats to everybody known because a writer has sent much in bulk.

    A bulk of n samples spends as if its k-th sample were sent k times: Fast DDS 2.9.1 takes what the
    message holds so far from its allowance, once for each sample; once spent, that allowance stays so.
    """
    ledger, pairs, company = exchange.ledger, exchange.pairs, exchange.company
    most = company.per_rule("spending_bytes")
    if not np.isfinite(most).any():
        return
    hot = ledger.bins(company.starts_s)
    turn = np.cumsum(company.meets, axis=1)
    echoes = company.per_rule("echoes")
    beats = exchange.size(lambda s, r: s.heartbeats((("pub",),), addressed=False))
    answers = exchange.size(lambda s, r: s.acknacks((("pub",),)))
    met_first = pairs.up.sum(0)
    for spent in _spent(exchange):
        often = (company.meets & (turn * spent[:, None] > most[:, None])) * echoes[:, None]
        later = np.triu(often, 1).astype("f4")
        own = np.tril(often, -1).sum(1)
        sent = (later * pairs.known) @ hot + hot * (own * met_first)[:, None]
        heard = ((pairs.remote @ later) * np.triu(np.ones_like(later))) @ hot + pairs.up @ (
            hot * own[:, None].astype("f4")
        )
        for kind in (0, 1):
            ledger.sent[kind] += sent * beats[kind][:, None] + heard * answers[kind][:, None]
            ledger.received[kind] += heard * beats[kind].mean() + sent * answers[kind].mean()


def _spent(exchange: Exchange) -> list[Floats]:
    """What one bulk of each participant's writers spends, and of its readers; bytes."""
    found = []
    for side in (0, 1):
        spent = np.zeros(exchange.company.count)
        for row, parts in enumerate(exchange.company.parts):
            cut = int(exchange.company.writers[row])
            own = parts[:cut] if side == 0 else parts[cut:]
            spent[row] = sum(own) * (len(own) + 1) / 2
        found.append(spent)
    return found


def confirm(exchange: Exchange) -> None:
    """Heartbeats while something is not acknowledged, and their answers."""
    company, ledger = exchange.company, exchange.ledger
    beats, answers = _asking(exchange, lambda r: r.confirms)
    has = company.endpoints > 0
    prompt = exchange.rows(lambda r: r.acknowledges) > 0
    after = company.per_rule("confirm_after_s")
    times = company.starts_s + company.late_s + after
    known = exchange.known_at(times) * (has & prompt & (company.late_s > exchange.settling_s))[:, None]
    hot = ledger.bins(times)
    ledger.spread(known, hot, beats, exchange.casts(known))
    ledger.answered(known, hot, answers)
    for times in _rounds(exchange, after):
        due = (has & ~prompt & np.isfinite(times))[:, None]
        times = np.where(np.isfinite(times), times, company.starts_s - 1)
        known, hot = exchange.known_at(times) * due, ledger.bins(times)
        ledger.spread(known, hot, beats)
        ledger.answered(known, hot, answers)


def _rounds(exchange: Exchange, after: Floats) -> list[Floats]:
    """When each one's timer runs out: first after its first meeting, again after the first one since then."""
    company = exchange.company
    starts = company.starts_s
    met = np.where(exchange.pairs.remote > 0, np.maximum(starts[:, None], starts[None, :]), np.inf)
    last, rounds = np.full(company.count, -np.inf), []
    for _ in range(exchange.ledger.window_s):
        next_ = np.where(met > last[:, None], met, np.inf).min(1, initial=np.inf) + after
        if not np.isfinite(next_).any():
            break
        rounds.append(next_)
        last = np.where(np.isfinite(next_), next_, last)
    return rounds


def live(exchange: Exchange) -> None:
    """Words that participants live, within the window."""
    company, ledger = exchange.company, exchange.ledger
    period = company.per_rule("liveliness_period_s")
    for turn in range(1, int(WINDOW_S / period.min(initial=np.inf)) + 1):
        times = np.where(np.isfinite(period), company.starts_s + period * turn, -1e9)
        _asserted(exchange, ledger.bins(times), exchange.known_at(times))


def _asserted(exchange: Exchange, hot: Matrix, known: Matrix) -> None:
    size = exchange.size(lambda s, r: (1, s.liveliness()))
    exchange.ledger.spread(known, hot, size, exchange.casts(known))
    exchange.ledger.answered(known, hot, exchange.size(lambda s, r: s.acknacks(PMD)))
