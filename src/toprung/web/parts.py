"""What the site's view tells of one machine or one link: budget, load, ports."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from toprung.model.figures import Figures
from toprung.model.site import Link, Machine, Site
from toprung.pictures.charts import CAPTURED, FORECAST
from toprung.web.bench import Bench
from toprung.wire.ports import PortKind, ports

Rows = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Part:
    """A titled set of tables, each with a heading and rows of name and value."""

    title: str
    tables: tuple[tuple[str, Rows], ...]


def machine_part(bench: Bench, name: str) -> Part | None:
    site = bench.shown_site
    machine = None if site is None else next((m for m in site.machines if m.name == name), None)
    if site is None or machine is None:
        return None
    tables = (
        ("Addresses", tuple(_addresses(machine))),
        ("Budget", tuple(_budget(machine))),
        *((f"Discovery, {words}", tuple(_discovery(f, name))) for words, f in _ordered(bench.figures())),
        ("Ports by the standard, in the order of start", tuple(_ports(site, machine))),
    )
    role = f", {machine.role}" if machine.role else ""
    return Part(f"{name}{role}", tuple((heading, rows) for heading, rows in tables if rows))


def link_part(bench: Bench, name: str) -> Part | None:
    site = bench.shown_site
    link = None if site is None else next((x for x in site.links if x.name == name), None)
    if link is None:
        return None
    tables = (
        ("Declared", tuple(_declared(link))),
        *((f"Load, {words}", tuple(_load(f, name))) for words, f in _ordered(bench.figures())),
    )
    return Part(f"{name}, {link.kind}", tuple((heading, rows) for heading, rows in tables if rows))


def _ordered(figures: dict[str, Figures]) -> Iterator[tuple[str, Figures]]:
    return ((f"as {words}", figures[words]) for words in (CAPTURED, FORECAST) if words in figures)


def _addresses(machine: Machine) -> Iterator[tuple[str, str]]:
    for interface in machine.interfaces:
        mtu = f", MTU {interface.mtu_bytes}" if interface.mtu_bytes else ""
        yield interface.name, ", ".join(map(str, interface.addresses)) + mtu


def _budget(machine: Machine) -> Iterator[tuple[str, str]]:
    budget = machine.budget
    if budget is not None:
        for words, amount in (
            ("participants", budget.participants),
            ("endpoints", budget.endpoints),
            ("messages", budget.messages_hz),
        ):
            if amount is not None:
                yield words, f"{amount:,.4g}" + (" Hz" if words == "messages" else "")


def _discovery(figures: Figures, name: str) -> Iterator[tuple[str, str]]:
    found = figures.machines.get(name)
    if found is None:
        return
    for words, amount in (
        ("participants known", found.known_participants),
        ("endpoints known", found.known_endpoints),
    ):
        if amount is not None:
            yield words, f"{amount:,}"
    if found.discovery is not None:
        d = found.discovery
        yield (
            f"in the first {d.window_s:.3g} s",
            f"{d.datagrams_in:,.0f} datagrams, {d.bytes_in / 1e3:,.1f} kB",
        )
        yield "in the fullest second", f"{d.peak_datagrams_in_per_s:,.0f} datagrams"
        if d.steady_datagrams_in_per_s is not None:
            yield "later", f"{d.steady_datagrams_in_per_s:,.2f} datagrams/s"
    if found.introduced_p50_s is not None:
        yield "introduced after", f"{found.introduced_p50_s:.2f} s"
    if found.budget_use is not None:
        yield f"of its {found.limit}", f"{found.budget_use:.0%}"


def _ports(site: Site, machine: Machine) -> Iterator[tuple[str, str]]:
    """Real libraries may take other ports and announce them; these are the standard's."""
    for index, participant in enumerate(p for p in site.participants if p.machine == machine.name):
        own = ports(site.domain, index)
        yield (
            participant.name,
            f"discovery {own[PortKind.DISCOVERY_UNICAST]}, user {own[PortKind.USER_UNICAST]}",
        )
    own = ports(site.domain, 0)
    multicast = own[PortKind.DISCOVERY_MULTICAST], own[PortKind.USER_MULTICAST]
    yield "all of them, multicast", f"discovery {multicast[0]}, user {multicast[1]}"


def _declared(link: Link) -> Iterator[tuple[str, str]]:
    yield "joins", ", ".join(map(str, link.joins))
    for words, value in (
        ("standard", link.standard and f"IEEE 802.11{link.standard}"),
        ("rate", link.rate_bps and f"{link.rate_bps / 1e6:.4g} Mbit/s"),
        ("multicast rate", link.multicast_rate_bps and f"{link.multicast_rate_bps / 1e6:.4g} Mbit/s"),
        ("delay", None if link.delay_ns is None else f"{link.delay_ns / 1e6:.3g} ms"),
        ("loss", None if link.loss is None else f"{link.loss:.2%}"),
        ("access point", None if link.access_point is None else "yes" if link.access_point else "no"),
    ):
        if value:
            yield words, value


def _load(figures: Figures, name: str) -> Iterator[tuple[str, str]]:
    found = figures.links.get(name)
    if found is None:
        return
    for words, value in (
        ("UDP payload", None if found.bytes_per_s is None else f"{found.bytes_per_s / 1e3:,.1f} kB/s"),
        ("air time", None if found.air_time is None else f"{found.air_time:.1%}"),
        ("busy", None if found.busy is None else f"{found.busy:.1%}"),
        ("loss", None if found.loss is None else f"{found.loss:.2%}"),
        ("delay", None if found.delay_s is None else f"{1e3 * found.delay_s:.3g} ms"),
    ):
        if value is not None:
            yield words, value
