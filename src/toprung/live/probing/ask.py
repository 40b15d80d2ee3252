"""One whole run of the prober, and what came of it as results."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from toprung.errors import UsageError
from toprung.live.probing.bursts import Burst, affordable, send_bursts
from toprung.live.probing.checks import Path, Row, Sizes, check_ports, check_sizes, send_row, working_path
from toprung.live.probing.keys import fingerprint
from toprung.live.probing.messages import Report
from toprung.live.probing.prober import Came, Knocking, Prober
from toprung.live.probing.responder import Door
from toprung.live.probing.sockets import KINDS, learned_mtu, nics
from toprung.model.picture import Spread
from toprung.model.probe import ClockCheck, FlowCheck, Party, PortCheck, ProbeResults, Train, Way
from toprung.observe.clocks import clock_pair
from toprung.wire.ports import port

Ints = npt.NDArray[np.int64]
Say = Callable[[str, float], None]  # what is going on, and which share of it is done

MOST_RATE_HZ = 2500.0
ELSE_S = 60.0  # for everything but the datagrams in a row and the bursts, on a bad way
MOST_LATE_MS = 100  # further behind its plan, the prober says that it could not keep up


@dataclass(frozen=True, slots=True)
class Plan:
    """What a run shall try."""

    packets: int = 2000
    rate_hz: float = 400.0
    patience_s: float = 6.0  # for a session
    sizes: bool = True
    burst_s: float = 5.0
    bursts: tuple[Burst, ...] = ()
    left_out: tuple[str, ...] = ()  # flows that cannot be tried, in words


def probe(prober: Prober, plan: Plan, label: str, say: Say) -> ProbeResults:
    """Everything of the plan, as far as it gets."""
    started_ns, start = time.time_ns(), time.monotonic()
    say("asking for a session", 0.0)
    answered = prober.knock(plan.patience_s)
    results = _begun(prober, answered, label, started_ns)
    if answered:
        _check_time(prober, plan)
        results = _checked(prober, plan, results, say)
    return replace(results, seconds=time.monotonic() - start)


def _check_time(prober: Prober, plan: Plan) -> None:
    """The server ends a session at its time, whatever is still to be tried."""
    needed = plan.packets / min(plan.rate_hz, MOST_RATE_HZ) + plan.burst_s * bool(plan.bursts) + ELSE_S
    if needed > prober.welcome.seconds:
        says = f"that takes about {needed:.0f} s, and the server grants {prober.welcome.seconds} s"
        raise UsageError(
            says, "--packets, --rate, --burst", "fewer datagrams, or more a second, would be right"
        )


def _begun(prober: Prober, answered: bool, label: str, started_ns: int) -> ProbeResults:
    target = prober.target
    near = Party(socket.gethostname(), tuple(n.address for n in nics()))
    far = Party("", (target.host,))
    there = Way(target.nic.address, target.host, target.nic.mtu_bytes)
    back = Way(target.host, target.nic.address)
    if answered:
        far = Party(prober.welcome.name, tuple(dict.fromkeys((target.host, *prober.welcome.addresses))))
        back = replace(back, interface_mtu_bytes=prober.welcome.interface_mtu_bytes or None)
    else:
        there, back = _unanswered(prober, there, back)
    remarks = tuple(_port_remarks(prober, answered))
    key = fingerprint(prober.key)
    return ProbeResults(
        label, started_ns, 0.0, target.domain, key, answered, near, far, there, back, remarks=remarks
    )


def _unanswered(prober: Prober, there: Way, back: Way) -> tuple[Way, Way]:
    """What the server's signs of life tell, if they come: whom it hears."""
    k: Knocking = prober.knocking
    alive = bool(k.beacons or k.beacons_direct)
    domain = prober.target.domain

    def check(door: Door, sent: int, arrived: int | None) -> PortCheck:
        return PortCheck(str(KINDS[door]), port(domain, KINDS[door]), True, door.group, sent, arrived)

    forth = (
        check(Door.DISCOVERY, k.hellos, int(k.heard_unicast) if alive else None),
        check(Door.DISCOVERY_GROUP, k.hellos, int(k.heard_group) if alive else None),
    )
    heard = k.heard_unicast or k.heard_group
    home = (
        check(Door.DISCOVERY, k.hellos if heard else k.beacons_direct, k.beacons_direct if alive else None),
        check(Door.DISCOVERY_GROUP, max(k.beacons, int(alive)), k.beacons if k.beacons else None),
    )
    return replace(there, ports=forth), replace(back, ports=home)


def _port_remarks(prober: Prober, answered: bool) -> list[str]:
    said = [
        f"here, port {port(prober.target.domain, KINDS[door])} ({KINDS[door]}) is taken: "
        f"{opened.port} stands in for it"
        for door, opened in prober.doors.items()
        if not opened.real
    ]
    if not answered and prober.knocking.unreachable:
        said.append(f"the kernel says of {prober.target.host}: {prober.knocking.unreachable.lower()}")
    return said


def _checked(prober: Prober, plan: Plan, results: ProbeResults, say: Say) -> ProbeResults:
    say("ports", 0.0)
    forth, home = check_ports(prober)
    results = replace(
        results, there=replace(results.there, ports=forth), back=replace(results.back, ports=home)
    )
    path = working_path(prober, forth, home)
    if path is None:
        remark = "no direct (unicast) datagram gets there: sizes, loss and clock were not tried"
        return replace(results, remarks=(*results.remarks, remark))
    row = send_row(
        prober, path, plan.packets, min(plan.rate_hz, MOST_RATE_HZ), lambda done: say("loss and clock", done)
    )
    results, offset_ns = row_results(results, row)
    if plan.sizes:
        say("sizes", 0.0)
        results = _with_sizes(results, check_sizes(prober, path, row.loss), learned_mtu(prober.target.host))
    if plan.bursts or plan.left_out:
        results = _with_bursts(prober, path, plan, results, offset_ns, say)
    return results


def row_results(results: ProbeResults, row: Row) -> tuple[ProbeResults, int]:
    """The results with loss, delays and clock; and the clock's offset, in ns."""
    stamps = _stamps(row.came)
    clock, offset_ns = None, 0
    if len(stamps):
        t1, t2, t3, t4 = stamps.T
        pair = clock_pair(0, 1, (t1, t2 - t1), (t3, t4 - t3))
        clock = ClockCheck(pair.offset_s, pair.error_s, pair.drift_ppm)
        offset_ns = round(pair.offset_s * 1e9)
    there = None
    if row.report is not None:
        there = Train(row.sent, row.report.received, row.report.overflowed, _delays(stamps, 0, 1, -offset_ns))
    sent_back = row.report.answered if row.report is not None else len(row.came)
    back = Train(sent_back, len(row.came), row.overflowed, _delays(stamps, 2, 3, offset_ns))
    trips = spread_of_ns(stamps[:, 3] - stamps[:, 0] - (stamps[:, 2] - stamps[:, 1]))
    refused = row.report.refused if row.report is not None else 0
    remarks = (f"the server answered {refused} datagrams less: too many a second",) if refused else ()
    return (
        replace(
            results,
            there=replace(results.there, train=there),
            back=replace(results.back, train=back),
            round_trip=trips,
            clock=clock,
            remarks=(*results.remarks, *remarks),
        ),
        offset_ns,
    )


def _stamps(came: Sequence[Came]) -> Ints:
    """t1 to t4 of RFC 5905, figure 13, ns [n, 4]."""
    rows = [(c.pong.sent_ns, c.pong.received_ns, c.pong.returned_ns, c.back_ns) for c in came]
    return np.array(rows, np.int64).reshape(-1, 4)


def _delays(stamps: Ints, sent: int, came: int, shift_ns: int) -> Spread | None:
    return spread_of_ns(stamps[:, came] - stamps[:, sent] + shift_ns)


def spread_of_ns(values: npt.NDArray[Any]) -> Spread | None:
    """Exact quantiles, in seconds; None of nothing."""
    if not len(values):
        return None
    ranked = np.sort(values) / 1e9
    p05, p50, p95 = (float(ranked[min(len(ranked) - 1, int(q * len(ranked)))]) for q in (0.05, 0.50, 0.95))
    return Spread(len(ranked), float(ranked[0]), p05, p50, p95, float(ranked[-1]))


def _with_sizes(results: ProbeResults, sizes: tuple[Sizes, Sizes], learned: int | None) -> ProbeResults:
    there, back = (
        replace(way, unfragmented=found.unfragmented, fragmented=found.fragmented)
        for way, found in zip(results.ways, sizes, strict=True)
    )
    return replace(results, there=replace(there, learned_mtu_bytes=learned), back=back)


# the flows' bursts


def _with_bursts(
    prober: Prober, path: Path, plan: Plan, results: ProbeResults, offset_ns: int, say: Say
) -> ProbeResults:
    bursts, left_out = affordable(plan.bursts, prober.welcome.most_bytes_per_s)
    sent = send_bursts(prober, path, bursts, plan.burst_s, lambda done: say("the flows' bursts", done))
    checks: dict[bool, list[FlowCheck]] = {True: [], False: []}
    remarks = [*results.remarks, *(f"not tried: {words}" for words in (*plan.left_out, *left_out))]
    for burst, (stream, samples, late_ms) in zip(bursts, sent, strict=True):
        report = prober.report(stream)
        if report is None:
            remarks.append(f"{burst.flow.flow}: the server's count did not come")
            continue
        came = prober.came.pop(stream, [])
        train, whole = (
            _forth(burst, samples, report, offset_ns) if burst.forth else _home(report, came, offset_ns)
        )
        checks[burst.forth].append(_flow_check(burst, samples, whole, train))
        if late_ms > MOST_LATE_MS:
            remarks.append(
                f"{burst.flow.flow}: sent up to {late_ms} ms late; this machine is too slow for it"
            )
    if checks[False]:
        remarks.append(
            f"flows from {results.far.name or results.back.sender} are answers to requests of the same size: "
            "the way there was as busy; to try them alone, let the other machine probe"
        )
    return replace(
        results,
        there=replace(results.there, flows=tuple(checks[True])),
        back=replace(results.back, flows=tuple(checks[False])),
        remarks=tuple(remarks),
    )


def _forth(burst: Burst, samples: int, report: Report, offset_ns: int) -> tuple[Train, int]:
    inner = (report.least_ns, report.p05_ns, report.p50_ns, report.p95_ns, report.most_ns)
    delay = Spread(report.received, *((ns - offset_ns) / 1e9 for ns in inner)) if report.received else None
    return Train(samples * len(burst.parts_bytes), report.received, report.overflowed, delay), report.whole


def _home(report: Report, came: Sequence[Came], offset_ns: int) -> tuple[Train, int]:
    parts: dict[int, int] = {}
    for c in came:
        parts[c.pong.sample] = parts.get(c.pong.sample, 0) + 1
    whole = sum(parts[c.pong.sample] == c.pong.parts for c in {c.pong.sample: c for c in came}.values())
    stamps = _stamps(came)
    return Train(report.answered, len(came), 0, _delays(stamps, 2, 3, offset_ns)), whole


def _flow_check(burst: Burst, samples: int, whole: int, train: Train) -> FlowCheck:
    flow = burst.flow
    return FlowCheck(
        flow.topic,
        flow.writer,
        flow.reader,
        flow.size_bytes or 0,
        burst.rate_hz,
        len(burst.parts_bytes),
        samples,
        whole,
        train,
    )
