"""What a late comer costs each machine of a site: everybody introduces itself once more, to it.

The difference between two forecasts of the discovery exchange, with and without it; the sums over pairs are
`toprung.forecast.introducing`'s.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from ipaddress import ip_interface

from toprung.forecast.company import SPREAD_S, Floats, company_of
from toprung.forecast.discovery import discovery_of
from toprung.forecast.exchange import WINDOW_S, Exchange
from toprung.forecast.introducing import exchanged
from toprung.forecast.reach import reach_of
from toprung.model.site import (
    Address,
    Budget,
    Discovery,
    DiscoveryMode,
    Interface,
    Joint,
    Link,
    Machine,
    Middleware,
    Participant,
    Site,
)

COMER = "(late comer)"  # no site can call a participant or a machine so
NIC = "nic"
JOINS_S = WINDOW_S // 2  # when it comes: the others have met by then


@dataclass(frozen=True, slots=True)
class Cost:
    """One machine's part in the seconds after the late comer appears; `over` names budgets that are short."""

    machine: str
    datagrams_in: float
    bytes_in: float
    datagrams_out: float
    bytes_out: float
    peak_in_per_s: float  # of all discovery, in the busiest second from then on
    over: tuple[str, ...] = ()


def cost_of(site: Site, addresses: Sequence[str], peers: Sequence[str] = ()) -> tuple[Cost, ...]:
    """Each machine's part, if a bare participant joins at these addresses ("10.77.2.50/24"): on the machine
    that has one of them, or on one more.

    peers: addresses at which it looks for others, beside multicast.
    """
    wider, here = _placed(site, tuple(ip_interface(a) for a in addresses))
    mode = Discovery(DiscoveryMode.PEERS, tuple(peers)) if peers else Discovery(DiscoveryMode.MULTICAST)
    comer = Participant(COMER, here, Middleware.CYCLONE, None, mode)
    fuller = replace(wider, participants=(*wider.participants, comer))
    count = max(1, len(site.participants))
    starts_s = {p.name: SPREAD_S * n / count for n, p in enumerate(site.participants)} | {COMER: JOINS_S}
    (into, out), (into_before, out_before) = _exchange(fuller, starts_s), _exchange(wider, starts_s)
    known = {m.machine: m.figures for m in discovery_of(fuller, reach_of(fuller), starts_s=starts_s)}
    costs = []
    for row, machine in enumerate(site.machines):
        peak = float(into[0, row, JOINS_S:].max())
        held = known[machine.name].known_participants, known[machine.name].known_endpoints
        taken, sent = into[:, row] - into_before[:, row], out[:, row] - out_before[:, row]
        cost = Cost(
            machine.name,
            float(taken[0].sum()),
            float(taken[1].sum()),
            float(sent[0].sum()),
            float(sent[1].sum()),
            peak,
            tuple(_over(machine.budget, peak, held)),
        )
        costs.append(cost)
    return tuple(costs)


def cost_lines(costs: Sequence[Cost]) -> Iterator[str]:
    """For people: one line a machine, and one for each budget that does not suffice."""
    width = max((len(c.machine) for c in costs), default=0)
    for c in costs:
        yield (
            f"{c.machine:<{width}}  {c.datagrams_in:5.0f} datagrams ({c.bytes_in / 1e3:.1f} kB) to take, "
            f"{c.datagrams_out:.0f} to send; up to {c.peak_in_per_s:.0f} a second with what goes on anyway"
        )
    for c in costs:
        yield from (f"{c.machine}: {words}" for words in c.over)


def _exchange(site: Site, starts_s: dict[str, float]) -> tuple[Floats, Floats]:
    """(in, out), each (2, machines, seconds): datagrams and bytes."""
    company = company_of(site, reach_of(site), starts_s=starts_s)
    return exchanged(Exchange(company)).at_machines()


def _over(budget: Budget | None, peak: float, held: tuple[int | None, int | None]) -> Iterator[str]:
    """What would be more than the machine can take."""
    if budget is None:
        return
    rows = (
        (peak, budget.messages_hz, "datagrams in a second"),
        (held[0], budget.participants, "participants to keep"),
        (held[1], budget.endpoints, "endpoints to keep"),
    )
    for need, most, what in rows:
        if need is not None and most is not None and need > most:
            yield f"{need:.0f} {what}, and its budget is {most:.0f}"


def _placed(site: Site, addresses: tuple[Address, ...]) -> tuple[Site, str]:
    """The site with a machine that has these addresses, and that machine's name."""
    for address in addresses:
        if (known := site.machine_at(str(address.ip))) is not None:
            return site, known.name
    networks = {a.network for a in addresses}
    near = {
        Joint(m.name, i.name)
        for m in site.machines
        for i in m.interfaces
        if networks & {a.network for a in i.addresses}
    }
    links = tuple(_reaching(link) if near & set(link.joins) else link for link in site.links)
    machine = Machine(COMER, interfaces=(Interface(NIC, addresses),))
    return replace(site, machines=(*site.machines, machine), links=links), COMER


def _reaching(link: Link) -> Link:
    return replace(link, joins=(*link.joins, Joint(COMER, NIC)))
