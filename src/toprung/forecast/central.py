"""Discovery by a central server: what clients and server exchange, and whom a client comes to know.

Measured of Fast DDS 2.9.1's server (`Profile.central`): it passes on only participants and endpoints that a
client matches.  Cyclone DDS has no such server: its participants are left out here.  The server is at the
address that the clients name; traffic counts at its machine if the site has it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from toprung.forecast.company import Company, Floats
from toprung.forecast.profile import Central, Share, Way
from toprung.forecast.reach import Reach
from toprung.model.site import Site

SOON_S = 0.005  # offers that come so close together are passed on together
SOONER, LATER = 0.7, 0.3  # of a start's exchange: in its first second, and in the next one


def partners_of(site: Site) -> dict[str, dict[str, int]]:
    """Participant -> those that it shares a topic with -> how many of their endpoints it matches."""
    found: dict[str, dict[str, set[tuple[str, str]]]] = {}
    for flow in site.flows():
        if flow.writer == flow.reader:
            continue
        found.setdefault(flow.reader, {}).setdefault(flow.writer, set()).add(("w", flow.wire_topic))
        found.setdefault(flow.writer, {}).setdefault(flow.reader, set()).add(("r", flow.wire_topic))
    return {name: {other: len(used) for other, used in by.items()} for name, by in found.items()}


@dataclass(frozen=True, slots=True)
class Parts:
    """(2, machines, seconds) of the window, and (2, machines) a second after it; datagrams and bytes."""

    into: np.ndarray
    out: np.ndarray
    steady: np.ndarray


def central(company: Company, reach: Reach, window_s: int) -> Parts:
    """The exchange of clients; `company` holds nobody else."""
    machines = len(company.site.machines)
    shape = (2, machines, window_s)
    parts = Parts(np.zeros(shape), np.zeros(shape), np.zeros((2, machines)))
    places = {m.name: row for row, m in enumerate(company.site.machines)}
    rows = {p.name: row for row, p in enumerate(company.participants)}
    partners = partners_of(company.site)
    for row, who in enumerate(company.participants):
        rule = company.profiles[row].central
        asked = next(iter(reach.asks(who.name)), None)
        if rule is None or asked is None or asked.route is None or asked.machine is None:
            continue
        here, there = int(company.machine[row]), places[asked.machine]
        met = {rows[name]: used for name, used in partners.get(who.name, {}).items() if name in rows}
        if here != there:
            up, down = exchanged_of(company, row, met, rule)
            _put(parts, here, there, company.starts_s[row], up)
            _put(parts, there, here, company.starts_s[row], down)
            for kind in (0, 1):
                share = np.array([1.0, rule.announced[kind]]) / rule.periods_s
                parts.steady[:, (there, here)[kind]] += share
        for other in met:
            met_at = max(company.starts_s[row], company.starts_s[other]) + rule.introducing_s
            if company.machine[other] != here:
                _put(parts, here, int(company.machine[other]), met_at, np.array(rule.greeting))
    return parts


def exchanged_of(company: Company, row: int, met: Mapping[int, int], rule: Central) -> tuple[Floats, Floats]:
    """(datagrams, bytes) to the server and from it."""
    own = len(company.parts[row])
    later = company.count - 1 - row
    matched = sum(met.values())
    each = np.mean(company.parts[row]) if own else 0.0
    counts = (1, len(met), own, matched, later)
    up, down = _total(rule.to_server, counts), _total(rule.to_client, counts)
    return up + np.array([0.0, own * each]), down + np.array([0.0, matched * each])


def _total(way: Way, counts: tuple[int, ...]) -> Floats:
    shares: tuple[Share, ...] = (way.client, way.partner, way.endpoint, way.matched, way.later)
    total: Floats = np.array(counts, "f8") @ np.array(shares)
    return total


def _put(parts: Parts, sender: int, receiver: int, at_s: float, size: Floats) -> None:
    """Count an exchange at both machines, in the second of its time and the next."""
    for second, share in ((int(at_s), SOONER), (int(at_s) + 1, LATER)):
        if second < parts.into.shape[2]:
            parts.out[:, sender, second] += size * share
            parts.into[:, receiver, second] += size * share


def introduced_at(company: Company) -> Floats:
    """(n, n) seconds: when clients have each other's endpoints by way of the server; -1 on the diagonal.

    The later of two offers its endpoints `introducing_s` after its start.  What the server then has new it
    passes on when the next client offers something, or after that time once more.
    """
    wait = np.array([p.central.introducing_s if p.central else np.inf for p in company.profiles])
    offers = company.starts_s + wait
    ordered = np.sort(offers)
    following = np.searchsorted(ordered, offers + SOON_S)
    told = np.isfinite(offers)  # a library without a central server offers nothing
    later = np.full(company.count, np.inf)
    later[told] = np.append(ordered, np.inf)[following[told]] - offers[told]
    passed_on = offers + np.minimum(later, wait)
    second = offers[:, None] >= offers[None, :]
    found: Floats = np.where(second, passed_on[:, None], passed_on[None, :])
    np.fill_diagonal(found, -1.0)
    return found
