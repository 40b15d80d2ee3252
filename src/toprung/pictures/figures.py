"""Numbers of machines and links as captured; None where the captures cannot tell."""

from __future__ import annotations

from collections.abc import Iterator
from statistics import quantiles

from toprung.diagnose.ages import age_on_arrival, clocks_known
from toprung.diagnose.delivery import delivery
from toprung.diagnose.loops import observed_loops
from toprung.diagnose.observed import Observed
from toprung.diagnose.scene import Case, Scene
from toprung.model.figures import (
    Discovery,
    Figures,
    FlowFigures,
    LinkFigures,
    MachineFigures,
    PowerFigures,
)
from toprung.model.picture import Crossing, Load, Stream
from toprung.model.qos import span
from toprung.model.site import Link, Machine

WINDOW_S = 15.0  # discovery's first rush, counted from the capture's first packet


def figures_of(observed: Observed) -> Figures:
    """Everything that the captures tell in numbers."""
    site = observed.site
    scene = Scene(site, observed.picture, observed.cast)
    return Figures(
        {m.name: machine_figures(observed, m) for m in site.machines},
        {x.name: link_figures(observed, x) for x in site.links},
        {case.flow: flow_figures(scene, case) for case in scene.cases},
        {name: loop.figures for name, loop in observed_loops(scene).items()},
        {x.name: PowerFigures() for x in site.power},
    )


def flow_figures(scene: Scene, case: Case) -> FlowFigures:
    """Rate, loss and age of one flow's samples."""
    found = delivery(scene, case)
    if found is None or found.best is None:
        return FlowFigures()
    age = age_on_arrival(scene, case, found) if clocks_known(scene, case) else None
    return FlowFigures(
        rate_hz=found.best.rate_hz,
        loss=found.lost_share,
        age_typical_s=None if age is None else age.p50,
        age_worst_s=None if age is None else age.most,
    )


def machine_figures(observed: Observed, machine: Machine) -> MachineFigures:
    """What the machine's own captures show; nothing is known without one."""
    views = _views_at(observed, machine.name)
    if not views:
        return MachineFigures()
    picture = observed.picture
    met = [e.participant for e in picture.endpoints if any(mark.view in views for mark in e.introduced)]
    announced = (i for i, p in enumerate(picture.participants) if any(a.view in views for a in p.announced))
    known = len(met)
    heard = len({*met, *announced})  # a discovery server's clients are met, not heard
    load = next((x for x in picture.loads if x.view in views), None)
    discovery = None if load is None else _discovery(load)
    p50, p95 = _introduced(observed, views)
    use, limit = _budget(machine, heard, known, discovery)
    return MachineFigures(heard, known, discovery, p50, p95, use, limit)


def link_figures(observed: Observed, link: Link) -> LinkFigures:
    """Traffic, loss and delay between the link's addresses."""
    hosts = _hosts_on(observed, link)
    seconds = observed.seconds
    sums: dict[tuple[int, str, str, int], int] = {}
    for stream in observed.picture.streams:
        if stream.source in hosts and (stream.multicast or stream.destination in hosts):
            key = (stream.participant, stream.source, stream.destination, stream.port)
            sums[key] = max(sums.get(key, 0), _bytes(stream))  # one way is seen by several captures
    machines = {j.machine for j in link.joins}
    crossings = [
        c
        for c in observed.picture.crossings
        if c.source in hosts
        and (c.multicast or c.destination in hosts)
        and observed.cast.view_machine(c.receiver) in machines
        and c.sent
    ]
    sent = sum(c.sent for c in crossings)
    return LinkFigures(
        bytes_per_s=sum(sums.values()) / seconds if sums and seconds > 0 else None,
        loss=1 - sum(c.arrived for c in crossings) / sent if sent else None,
        delay_s=_delay(crossings),
    )


def machine_words(observed: Observed) -> Iterator[str]:
    """A line for each machine that was captured at."""
    for machine in observed.site.machines:
        figures = machine_figures(observed, machine)
        if figures.known_participants is None:
            continue
        words = f"{machine.name}: {_counted(figures.known_participants, 'participant')}"
        words += f", {_counted(figures.known_endpoints or 0, 'endpoint')} known"
        if figures.discovery is not None:
            d = figures.discovery
            words += f"; discovery {d.datagrams_in:,} datagrams, {d.bytes_in / 1e3:,.1f} kB"
            words += f" in {d.window_s:.3g} s, peak {d.peak_datagrams_in_per_s:,.0f}/s"
        if figures.budget_use is not None:
            words += f"; {figures.budget_use:.0%} of its budget ({figures.limit})"
        yield words


def link_words(observed: Observed) -> Iterator[str]:
    """A line for each link with traffic."""
    for link in observed.site.links:
        figures = link_figures(observed, link)
        if figures.bytes_per_s is None:
            continue
        words = f"{link.name} ({link.kind}): {figures.bytes_per_s / 1e3:,.1f} kB/s"
        if figures.loss is not None:
            words += f", {figures.loss:.2%} lost on the way" if figures.loss else ", nothing lost on the way"
        if figures.delay_s is not None:
            words += f", delay {span(round(figures.delay_s * 1e9))}"
        yield words


def _counted(number: int, word: str) -> str:
    return f"{number} {word}{'s' * (number != 1)}"


def _views_at(observed: Observed, machine: str) -> frozenset[int]:
    views = range(len(observed.picture.views))
    return frozenset(i for i in views if observed.cast.view_machine(i) == machine)


def _discovery(load: Load) -> Discovery:
    bin_s = load.bin_ns / 1e9
    cut = min(len(load.discovery_in), max(1, round(WINDOW_S / bin_s)))
    rest_s = (len(load.discovery_in) - cut) * bin_s
    steady = rest_s >= WINDOW_S
    return Discovery(
        window_s=round(cut * bin_s, 6),
        datagrams_in=sum(load.discovery_in[:cut]),
        datagrams_out=sum(load.discovery_out[:cut]),
        bytes_in=sum(load.discovery_bytes_in[:cut]),
        bytes_out=sum(load.discovery_bytes_out[:cut]),
        steady_datagrams_in_per_s=sum(load.discovery_in[cut:]) / rest_s if steady else None,
        steady_bytes_in_per_s=sum(load.discovery_bytes_in[cut:]) / rest_s if steady else None,
        peak_datagrams_in_per_s=_peak(load.discovery_in, bin_s),
    )


def _peak(counts: tuple[int, ...], bin_s: float) -> float:
    """The most in any second (in any bin, where bins are longer)."""
    wide = max(1, round(1 / bin_s))
    sums = [sum(counts[i : i + wide]) for i in range(max(1, len(counts) - wide + 1))]
    return max(sums, default=0) / (wide * bin_s)


def _introduced(observed: Observed, views: frozenset[int]) -> tuple[float | None, float | None]:
    """From a participant's first announcement to each of its endpoints' introductions, as captured here."""
    waits = []
    for endpoint in observed.picture.endpoints:
        described = observed.picture.participants[endpoint.participant].described
        for mark in endpoint.introduced:
            if described is not None and mark.view == described.view and mark.view in views:
                waits.append((mark.time_ns - described.time_ns) / 1e9)
    waits = [w for w in waits if w >= 0]
    if len(waits) < 2:
        return (waits[0], waits[0]) if waits else (None, None)
    cuts = quantiles(waits, n=20, method="inclusive")
    return cuts[9], cuts[18]


def _budget(
    machine: Machine, participants: int, endpoints: int, discovery: Discovery | None
) -> tuple[float | None, str | None]:
    budget = machine.budget
    if budget is None:
        return None, None
    peak = None if discovery is None else discovery.peak_datagrams_in_per_s
    uses = [
        (used / limit, word)
        for word, used, limit in (
            ("participants", participants, budget.participants),
            ("endpoints", endpoints, budget.endpoints),
            ("messages", peak, budget.messages_hz),
        )
        if used is not None and limit
    ]
    return max(uses, default=(None, None))


def _hosts_on(observed: Observed, link: Link) -> frozenset[str]:
    joints = {(j.machine, j.interface) for j in link.joins}
    return frozenset(
        host
        for m in observed.site.machines
        for i in m.interfaces
        if (m.name, i.name) in joints
        for host in i.hosts
    )


def _bytes(stream: Stream) -> int:
    return sum(t.bytes for t in (stream.discovery, stream.data) if t is not None)


def _delay(crossings: list[Crossing]) -> float | None:
    """The mean of both directions' medians, in which the clocks' difference cancels."""
    ways: dict[tuple[int, int], float] = {}
    for c in crossings:
        if c.delay is not None:
            ways.setdefault((c.sender, c.receiver), c.delay.p50)
    pairs = [(ways[a, b] + ways[b, a]) / 2 for a, b in ways if a < b and (b, a) in ways]
    return sum(pairs) / len(pairs) if pairs else None
