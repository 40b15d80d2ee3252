"""How long a link takes to carry packets that come to it together, with nothing else on it."""

from __future__ import annotations

from collections.abc import Sequence

from toprung.forecast.airtime import cell_of, hops_us, waiting_us
from toprung.forecast.wired import wire_of
from toprung.model.site import Link, LinkKind


def carrying_s(link: Link, packets: Sequence[int], *, many: bool = False) -> float:
    """Seconds; on air with silences, mean backoffs and the way over the access point.  0.0 where the site
    declares no rate.
    """
    if link.kind is LinkKind.WIFI:
        cell = cell_of(link)
        return (
            0.0
            if cell is None
            else (hops_us(cell, packets, many=many) + waiting_us(cell, packets, many=many)) / 1e6
        )
    return sum(map(wire_of(link).occupied_bytes, packets)) * 8 / link.rate_bps if link.rate_bps else 0.0
