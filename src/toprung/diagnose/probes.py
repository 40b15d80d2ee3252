"""Probes' results by the site's machines: who probed whom, and what of it one pair's flows can use."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from toprung.diagnose.probe_faults import ENOUGH, ProbeFault, path_faults, unheard
from toprung.diagnose.scene import Scene
from toprung.model.finding import Evidence, Severity
from toprung.model.probe import ClockCheck, FlowCheck, Party, ProbeResults, Served


@dataclass(frozen=True, slots=True)
class Tried:
    """One probe between two of the site's machines, and the faults that it found."""

    near: str
    far: str
    results: ProbeResults
    faults: tuple[ProbeFault, ...]

    @property
    def passes(self) -> bool:
        """Whether direct datagrams were seen to pass both ways."""
        return all(any(c.passes for c in way.ports if not c.multicast) for way in self.results.ways)

    @property
    def multicast_passes(self) -> bool:
        """Whether multicast was seen to pass, one way at least: whoever hears it answers by unicast."""
        return any(c.passes for way in self.results.ways for c in way.ports if c.multicast)

    def flows(self) -> Iterator[FlowCheck]:
        """The bursts of both ways."""
        for way in self.results.ways:
            yield from way.flows

    def evidence(self, says: str) -> Evidence:
        """What the probe saw; there is no packet to point at."""
        return Evidence(self.results.label, 0, 0.0, says)


def machine_of(scene: Scene, party: Party) -> str | None:
    """The site's machine that took part, by its addresses."""
    for address in party.addresses:
        if (machine := scene.site.machine_at(address)) is not None:
            return machine.name
    return None


def all_tried(scene: Scene) -> tuple[Tried, ...]:
    """Every probe between two machines of the site, in the order given."""
    return scene.once("tried", lambda: tuple(_all_tried(scene)))


def _all_tried(scene: Scene) -> Iterator[Tried]:
    servers = [p for p in scene.probes if isinstance(p, Served)]
    for results in scene.probes:
        if not isinstance(results, ProbeResults):
            continue
        near, far = machine_of(scene, results.near), machine_of(scene, results.far)
        if near is None or far is None or near == far:
            continue
        faults = path_faults(results, near, far)
        if not faults:
            faults = tuple(f for s in servers if (f := unheard(results, s, near, far)) is not None)[:1]
        yield Tried(near, far, results, faults)


def tried_between(scene: Scene, one: str, other: str) -> tuple[Tried, ...]:
    """The probes of one pair of machines, whichever of them probed."""
    return tuple(t for t in all_tried(scene) if {t.near, t.far} == {one, other})


def answers_lost(scene: Scene, one: str, other: str) -> tuple[tuple[Served, ProbeFault], ...]:
    """Servers whose answers never reached a prober that kept asking: they know it although it may not."""
    found = []
    for served in scene.probes:
        if not isinstance(served, Served):
            continue
        here = machine_of(scene, served.near)
        for caller in served.callers:
            there = machine_of(scene, Party("", (caller.host,)))
            asked = caller.unicast + caller.multicast
            if caller.confirmed or asked < ENOUGH or here is None or there is None:
                continue
            if {here, there} == {one, other}:
                says = (
                    f"Datagrams pass from {there} to {here} only; answers of {here} do not arrive at {there}."
                )
                seen = f"{asked} requests of {there} arrived at {here}, and it never heard an answer"
                found.append((served, ProbeFault("one-way", here, there, says, seen, Severity.STOPS)))
    return tuple(found)


def probed_clocks(scene: Scene) -> dict[tuple[str, str], ClockCheck]:
    """(near, far) -> the far clock less the near one; of several probes the surest."""
    found: dict[tuple[str, str], ClockCheck] = {}
    for tried in all_tried(scene):
        clock, pair = tried.results.clock, (tried.near, tried.far)
        if clock is not None and (pair not in found or clock.error_s < found[pair].error_s):
            found[pair] = clock
    return found
