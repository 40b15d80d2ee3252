"""Delay and loss between every two machines of a site, as matrices: what discovery needs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from toprung.model.site import LinkKind, Site

Floats = NDArray[np.float64]

DELAY_S = {LinkKind.ETHERNET: 0.2e-3, LinkKind.USB: 0.3e-3, LinkKind.WIFI: 2e-3}  # where the site says none


def links_of(site: Site) -> tuple[Floats, Floats]:
    """(machines, machines): one-way delay in seconds, and the share of datagrams that pass.

    Machines without a link in common are taken as if joined by the two slowest of theirs.
    """
    places = {m.name: row for row, m in enumerate(site.machines)}
    n = len(places)
    delay, passes = np.full((n, n), np.inf), np.ones((n, n))
    own, own_passes = np.zeros(n), np.ones(n)
    for link in site.links:
        rows = sorted({places[j.machine] for j in link.joins})
        here = DELAY_S[link.kind] if link.delay_ns is None else link.delay_ns / 1e9
        through = 1.0 - (link.loss or 0.0)
        block = np.ix_(rows, rows)
        better = here < delay[block]
        delay[block] = np.where(better, here, delay[block])
        passes[block] = np.where(better, through, passes[block])
        own[rows] = np.maximum(own[rows], here)
        own_passes[rows] = np.minimum(own_passes[rows], through)
    apart = ~np.isfinite(delay)
    delay = np.where(apart, own[:, None] + own[None, :], delay)
    return delay, np.where(apart, own_passes[:, None] * own_passes[None, :], passes)
