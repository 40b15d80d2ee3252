"""Results of a probe as text: both directions side by side, then what they mean."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from textwrap import wrap

from toprung.diagnose.probe_faults import EFFECTS, REMEDIES, ProbeFault
from toprung.model.finding import Finding, Severity
from toprung.model.picture import Spread
from toprung.model.probe import FlowCheck, PortCheck, ProbeResults, Served, SizeCheck, Train, Way
from toprung.pictures.plain import printable

WIDTH = 100
_LABEL, _COLUMN = 30, 33
_NO_ANSWER = "no answer: nobody serves there, key or domain is another one, or nothing passes."


def probe_text(results: ProbeResults, faults: Iterable[ProbeFault | Finding], near: str, far: str) -> str:
    """Everything; ends with a newline."""
    lines = [*_head(results, near, far), ""]
    if results.answered or any(c.arrived is not None for way in results.ways for c in way.ports):
        lines += [_row("", f"{near} -> {far}", f"{far} -> {near}"), *_ways(results)]
        lines += [*_clock(results, near, far), *_flows(results)]
    else:
        lines.append(f"{far} gives {_NO_ANSWER}")
    lines += _remarks(results.remarks)
    lines += _faults(tuple(faults))
    return "\n".join(printable(line) for line in lines) + "\n"


def served_text(served: Served) -> str:
    """What a server heard."""
    lines = [f"served domain {served.domain} for {served.seconds:.0f} s"]
    if not served.callers:
        lines.append("nobody came: no request with this key arrived")
    for caller in served.callers:
        how = f"{caller.unicast} requests by unicast, {caller.multicast} by multicast"
        came = "" if caller.confirmed else "; it never went on: our answers do not reach it"
        lines += wrap(f"{caller.host}: {how}{came}", WIDTH, initial_indent="  ", subsequent_indent="    ")
    return "\n".join(printable(line) for line in lines) + "\n"


def _head(results: ProbeResults, near: str, far: str) -> Iterator[str]:
    ends = f"{near} ({results.there.sender}) <-> {far} ({results.there.receiver})"
    yield f"{ends}, domain {results.domain}, {results.seconds:.1f} s"


def _row(label: str, *columns: str) -> str:
    return (f"{label:<{_LABEL}}" + "".join(f"{c:<{_COLUMN}}" for c in columns)).rstrip()[:WIDTH]


def _ways(results: ProbeResults) -> Iterator[str]:
    ways = results.ways
    for there, back in zip(*(way.ports for way in ways), strict=False):
        yield _row(there.use, _port(there), _port(back))
    rows: tuple[tuple[str, Callable[[Way], str]], ...] = (
        ("greatest in one packet", lambda w: _size(w.unfragmented, w.interface_mtu_bytes)),
        ("greatest in fragments", lambda w: _size(w.fragmented, None)),
        ("lost", lambda w: _lost(w.train)),
        ("delay median, 95 %, most", lambda w: _spread(w.train.delay if w.train else None)),
    )
    for label, cell in rows:
        cells = [cell(way) for way in ways]
        if any(cells):
            yield _row(label, *(c or "-" for c in cells))


def _port(check: PortCheck) -> str:
    if check.arrived is None:
        return f"{check.port}: nobody can tell"
    state = "passes" if check.passes else "blocked"
    if 0 < check.arrived < check.sent:
        state = "partly"
    return f"{check.port}{'' if check.real else ' (stand-in)'}: {state}, {check.arrived}/{check.sent}"


def _size(check: SizeCheck | None, mtu_bytes: int | None) -> str:
    if check is None:
        return ""
    words = "none" if check.passed_bytes is None else f"{check.passed_bytes:,} B"
    if check.lost_bytes is not None:
        words += f", {check.lost_bytes:,} B lost"
    return words + (f" (MTU {mtu_bytes:,})" if mtu_bytes else "")


def _lost(train: Train | None) -> str:
    if train is None or train.loss is None:
        return ""
    own = f", {train.overflowed} in its socket" if train.overflowed else ""
    return f"{train.loss:.2%} of {train.sent:,}{own}"


def _spread(spread: Spread | None) -> str:
    if spread is None:
        return ""
    return " ".join(f"{s * 1e3:.2f}" for s in (spread.p50, spread.p95, spread.most)) + " ms"


def _clock(results: ProbeResults, near: str, far: str) -> Iterator[str]:
    if results.round_trip is not None:
        yield _row("round trip", _spread(results.round_trip))
    if results.clock is not None:
        clock = results.clock
        way = "ahead of" if clock.offset_s >= 0 else "behind"
        drift = "" if clock.drift_ppm is None else f", drifting {clock.drift_ppm:+.1f} ppm"
        apart = f"{abs(clock.offset_s) * 1e3:,.2f} ms"
        yield _row("clocks", f"{far} is {apart} {way} {near}, +-{clock.error_s * 1e3:.2f} ms{drift}")


def _flows(results: ProbeResults) -> Iterator[str]:
    flows = [flow for way in results.ways for flow in way.flows]
    if flows:
        yield ""
        yield f"{'as the flows would send':<52}{'samples':>12}{'whole':>9}  delay median, 95 %, most"
    for flow in flows:
        yield from _flow(flow)


def _flow(flow: FlowCheck) -> Iterator[str]:
    name = f"{flow.topic} {flow.writer} -> {flow.reader}"
    if len(name) > 51:
        yield f"  {name}"[:WIDTH]
        name = ""
    share = flow.whole / flow.samples if flow.samples else 0.0
    figures = f"{flow.samples:>12,}{share:>9.1%}  {_spread(flow.train.delay) or '-'}"
    yield f"{name:<52}{figures}"[:WIDTH]


def _remarks(remarks: tuple[str, ...]) -> Iterator[str]:
    if remarks:
        yield ""
    for remark in remarks:
        yield from wrap(remark, WIDTH, subsequent_indent="  ")


def _faults(faults: tuple[ProbeFault | Finding, ...]) -> Iterator[str]:
    for fault in faults:
        yield ""
        noted = fault.severity is Severity.NOTE
        if isinstance(fault, Finding):
            subject, effect, remedies = fault.subject, fault.effect, fault.remedies
            seen = "; ".join(e.says for e in fault.evidence)
        else:
            subject, seen = f"{fault.sender} -> {fault.receiver}", fault.seen
            effect, remedies = EFFECTS[fault.code], REMEDIES[fault.code]
        yield from wrap(f"{fault.severity}: {fault.code}, {subject}", WIDTH)
        for text in (fault.says, "" if noted else effect, seen):
            yield from wrap(text, WIDTH, initial_indent="   ", subsequent_indent="   ")
        for remedy in () if noted else remedies:
            yield from wrap(f"- {remedy}", WIDTH, initial_indent="   ", subsequent_indent="     ")
