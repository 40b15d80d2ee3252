"""The discovery exchange of a site in expectation: who sends how many datagrams in which second.

What the two measured libraries do is their profiles' rules; this turns them into sums over pairs.  Nothing
is lost here and no machine is too slow: `toprung.forecast.simulation` knows that.  "Newcomer" is the later
of two participants; by then the other one has its endpoints, unless it is younger than they are late.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from toprung.forecast.announcing import Sizes
from toprung.forecast.company import Bools, Company, Floats, announcement_of
from toprung.forecast.ledger import Ledger, Matrix
from toprung.forecast.lines import links_of
from toprung.forecast.profile import Rules
from toprung.model.site import DiscoveryMode

WINDOW_S = 15
Size = tuple[Floats, Floats]  # (datagrams, bytes) by sender
SETTLING_S = 0.015  # endpoints that are there so soon are introduced in bulk
MISSED = 0.25  # share of first heartbeats that come before the newcomer is ready, where no address is unknown


@dataclass(frozen=True, slots=True)
class Pairs:
    """Matrices over (there, newcomer), float32 so that they can be summed by products."""

    up: Matrix  # exchange over the wire
    met: Matrix  # also within one machine
    remote: Matrix  # symmetric
    known: Matrix  # how many remote participants i knows once j has come
    many: Matrix  # i knows so many by then that its builtin writers multicast, or would
    fresh: Matrix  # i's endpoints are not there yet
    first: Matrix  # nobody of the two machines has met before
    crossed: Matrix  # j was up before i's first announcement came, and hears it
    heartbeat: Matrix  # i's heartbeat writers have rested long enough to greet j


def pairs_of(company: Company) -> Pairs:
    """The pairs of a company."""
    n = company.count
    later = np.triu(np.ones((n, n), bool), 1)
    remote, met = company.remote.astype("f4"), (company.meets & later).astype("f4")
    up = remote * later
    everybody = np.cumsum(company.meets, axis=1)
    starts = company.starts_s
    fresh = starts[None, :] < (starts + company.late_s)[:, None]
    return Pairs(
        up,
        met,
        remote,
        np.cumsum(remote, axis=1, dtype="f4"),
        (everybody >= company.per_rule("multicast_from")[:, None]).astype("f4"),
        fresh.astype("f4"),
        _first_contacts(company, up > 0),
        _crossed(company, up),
        _rested(company).astype("f4"),
    )


def _first_contacts(company: Company, up: Bools) -> Matrix:
    """Pairs in which the newcomer is its machine's first to meet the other machine."""
    order = np.arange(company.count)
    earlier = (company.machine[:, None] == company.machine[None, :]) & (order[:, None] < order[None, :])
    first = ~earlier.any(0)
    found: Matrix = (up & first[None, :]).astype("f4")
    return found


def _crossed(company: Company, up: Matrix) -> Matrix:
    delay, _ = links_of(company.site)
    there = company.starts_s[:, None] + delay[company.machine[:, None], company.machine[None, :]]
    found: Matrix = up * company.hears * (company.starts_s[None, :] <= there)
    return found


def _rested(company: Company) -> Bools:
    """Columns: newcomers that come at least the rest after the last one that was greeted at once."""
    rest = company.per_rule("rest_s")
    found = np.ones((company.count, company.count), bool)
    for value in np.unique(rest[rest > 0]):
        greeted, last = np.zeros(company.count, bool), -np.inf
        for row, start in enumerate(company.starts_s):
            if start - last >= value:
                greeted[row], last = True, start
        found[rest == value] = greeted
    return found


class Exchange:
    """Writes a company's exchange into a ledger, one kind of message after the other."""

    def __init__(self, company: Company, window_s: int = WINDOW_S) -> None:
        self.company = company
        self.ledger = Ledger(company, window_s)
        self.pairs = pairs_of(company)
        self.sizes = {p.middleware: Sizes(p) for p in company.profiles}
        self.rules = {p.middleware: p.rules for p in company.profiles}
        self.announcement = np.array(
            [
                announcement_of(who, profile)
                for who, profile in zip(company.participants, company.profiles, strict=True)
            ],
            "f8",
        )
        self.missed = MISSED
        self.settling_s = SETTLING_S
        multicast = [mode is DiscoveryMode.MULTICAST for mode in company.modes]
        self.multicast: Bools = np.array(multicast, bool)

    def size(self, of: Callable[[Sizes, Rules], tuple[float, float]]) -> Size:
        """(datagrams, bytes) by sender, of what depends on the library only."""
        said = {m: of(self.sizes[m], self.rules[m]) for m in self.rules}
        both = np.array([said[p.middleware] for p in self.company.profiles], "f8").reshape(-1, 2)
        return both[:, 0], both[:, 1]

    def rows(self, has: Callable[[Rules], bool]) -> Floats:
        """1 for participants whose rules say so."""
        return np.array([float(has(p.rules)) for p in self.company.profiles])

    def known_at(self, times_s: Floats) -> Matrix:
        """Who knows whom over the wire at each one's time."""
        known: Matrix = self.pairs.remote * (self.company.starts_s[None, :] <= times_s[:, None])
        return known

    def casts(self, known: Matrix) -> Bools:
        """Whose builtin writers multicast, with so many known."""
        many: Bools = known.sum(1) >= self.company.per_rule("multicast_from")
        return self.multicast & many
