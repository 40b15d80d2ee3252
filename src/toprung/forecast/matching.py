"""Rung `matched`, on paper: do the declared QoS of a flow's two sides suit each other?

The rules are those of captures (`toprung.model.qos`, `toprung.model.mismatch`).  Where a side leaves a
policy out, its library's own default stands in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from toprung.model.mismatch import conflicts_in_force, partition_mismatch, policy_mismatch
from toprung.model.picture import Side
from toprung.model.qos import DestinationOrder, Qos, Representation, partitions_meet
from toprung.model.site import DeclaredFlow, Middleware, Site, StatedQos
from toprung.model.verdict import HELD, Verdict, broken

# What a library announces where nothing is set, if it is not the standard's default (DDS 1.4, 2.2.3):
# read off the captured announcements of Cyclone DDS 11.0.1 and Fast DDS 2.9.1.
DEFAULTS: dict[tuple[Middleware, Side], dict[str, Any]] = {
    (Middleware.CYCLONE, Side.READER): {"representation": (Representation.XCDR1, Representation.XCDR2)},
}
POLICY_OF_FIELD = {"representation": "data_representation"}
# Fast DDS 2.9.1 announced no representation whatever was set (docs/wire-notes.md)
UNANNOUNCED: dict[Middleware, dict[str, Any]] = {Middleware.FAST: {"representation": ()}}


@dataclass(frozen=True, slots=True)
class Matcher:
    """Judges the flows of one site."""

    middlewares: Mapping[str, Middleware | None]  # of each participant

    def judge(self, declared: DeclaredFlow) -> Verdict:
        """Whether writer and reader match; the verdict's evidence is empty, as nothing was captured."""
        one, other = self.middlewares[declared.writer], self.middlewares[declared.reader]
        offered = in_force(declared.offered, one, Side.WRITER)
        requested = in_force(declared.requested, other, Side.READER)
        if (refused := self._refused(declared, offered, requested)) is not None:
            return refused
        if not partitions_meet(offered.partition, requested.partition):
            return partition_mismatch(declared.flow, offered, requested, ())
        both_fast = one is other is Middleware.FAST
        conflicts = conflicts_in_force(offered, requested, both_fast=both_fast)
        return policy_mismatch(declared.flow, conflicts[0], ()) if conflicts else HELD

    def _refused(self, declared: DeclaredFlow, offered: Qos, requested: Qos) -> Verdict | None:
        """Fast DDS refuses to create an endpoint that orders by source timestamp (docs/wire-notes.md)."""
        for name, qos, does in ((declared.writer, offered, "write"), (declared.reader, requested, "read")):
            if self.middlewares[name] is not Middleware.FAST:
                continue
            if qos.destination_order is DestinationOrder.BY_SOURCE_TIMESTAMP:
                return broken(
                    "endpoint-absent",
                    str(declared.flow),
                    f"{name} means to {does} {declared.topic} in the order of source timestamps, which "
                    "Fast DDS does not offer.",
                    f"Fast DDS refuses to create the endpoint: {name} runs without it.",
                    (),
                    (f"Leave destination_order out on {name}'s side, or run it with another library.",),
                )
        return None


def matcher(site: Site) -> Matcher:
    """The matcher of a site's flows."""
    return Matcher({p.name: p.middleware for p in site.participants})


def in_force(stated: StatedQos, middleware: Middleware | None, side: Side) -> Qos:
    """One side's QoS as its library announces it."""
    if middleware is None:
        return stated.qos
    defaults = {
        field: value
        for field, value in DEFAULTS.get((middleware, side), {}).items()
        if POLICY_OF_FIELD.get(field, field) not in stated.policies
    }
    return replace(stated.qos, **defaults, **UNANNOUNCED.get(middleware, {}))
