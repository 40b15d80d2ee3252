"""Capacity: whether the link between two machines carries all that it can."""

from __future__ import annotations

from toprung.diagnose.passage import total
from toprung.diagnose.scene import Case, Scene
from toprung.model.site import Link

FULL = 0.8  # of the declared rate, in UDP payload: headers, retries and other traffic take the rest
LONG_ENOUGH_S = 1.0


def load_of(scene: Scene, case: Case) -> tuple[Link, float] | None:
    """The link that joins the flow's machines, and the share of its declared rate that is sent over it.

    UDP payload bytes that leave the writer's machine for others on the link, while anything is sent.
    None where the site declares no rate or the writer's machine was not captured.
    """
    for link in scene.site.links:
        joined = {j.machine for j in link.joins}
        if not {case.writer.machine, case.reader.machine} <= joined or not link.rate_bps:
            continue
        share = _share(scene, case.writer.machine, joined, link.rate_bps)
        if share is not None:
            return link, share
    return None


def is_full(load: tuple[Link, float] | None) -> bool:
    """Whether a link's load is all that it can carry."""
    return load is not None and load[1] >= FULL


def _share(scene: Scene, machine: str, joined: set[str], rate_bps: float) -> float | None:
    views = scene.views_at(machine)
    hosts = frozenset(h for m in joined - {machine} for h in scene.hosts(m))
    sent = total(
        s
        for s in scene.streams_of(scene.population(machine))
        if s.view in views and s.outgoing is not False and (s.multicast or s.destination in hosts)
    )
    if sent is None:
        return None
    lasting = (sent.last.time_ns - sent.first.time_ns) / 1e9
    return sent.bytes * 8 / lasting / rate_bps if lasting >= LONG_ENOUGH_S else None
