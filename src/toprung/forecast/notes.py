"""What is worth knowing of a site and is no fault."""

from __future__ import annotations

from collections.abc import Iterator

from toprung.forecast.rungs.basis import Basis
from toprung.forecast.rungs.introduced import overload
from toprung.forecast.taken import named
from toprung.model.causes import CAUSES
from toprung.model.finding import Finding, Severity

LITTLE_ROOM = 0.8  # of a link's time: what is left is soon needed for repeats and bursts


def notes(basis: Basis) -> Iterator[Finding]:
    """Every note; those of one kind in one finding where they are alike."""
    yield from _queues(basis)
    yield from _nearly_full(basis)
    yield from _unreachable(basis)
    yield from _ports(basis)


def _note(code: str, subject: str, says: str, effect: str, *remedies: str) -> Finding:
    return Finding(code, CAUSES[code][0], Severity.NOTE, subject, says, effect, (), remedies)


def _queues(basis: Basis) -> Iterator[Finding]:
    """Machines that catch up."""
    for machine in basis.site.machines:
        finding = overload(basis, machine.name)
        if finding is not None and finding.severity is Severity.NOTE:
            yield finding


def _nearly_full(basis: Basis) -> Iterator[Finding]:
    for name, traffic in basis.traffic.links.items():
        if traffic.busy is None or not LITTLE_ROOM < traffic.busy <= 1:
            continue
        yield _note(
            "link-full",
            name,
            f"{name} is busy {traffic.busy:.0%} of the time"
            + (f"; {traffic.says}." if traffic.says else "."),
            "Little is left for repeats, bursts and whatever the site does not declare.",
            f"Send less over {name}, or give it a higher rate.",
        )


def _unreachable(basis: Basis) -> Iterator[Finding]:
    """Addresses that are announced to partners who cannot reach them, beside others that they can."""
    found: dict[tuple[str, tuple[str, ...]], dict[str, None]] = {}
    for case in basis.cases:
        for one, other in case.ways:
            if hosts := basis.reach.unreachable(other.name, one.name):
                found.setdefault((one.name, hosts), {})[other.name] = None
    if not found:
        return
    told = [f"{who} announces {', '.join(hosts)} to {named(whom)}" for (who, hosts), whom in found.items()]
    yield _note(
        "unreachable-locator",
        named(dict.fromkeys(who for who, _ in found)),
        f"Some announced addresses are out of their partners' reach: {'; '.join(told[:3])}"
        + (f"; and {len(told) - 3} more." if len(told) > 3 else "."),
        "Harmless beside an address that is in reach; a library that writes to every address wastes packets.",
        "Limit each participant to the interfaces that it needs, if the waste matters.",
    )


def _ports(basis: Basis) -> Iterator[Finding]:
    """Ports that Linux hands out to any program."""
    taken = [p for p in basis.ports.values() if p.handed_out]
    if not taken:
        return
    numbers = sorted({number for p in taken for number in p.handed_out})
    yield _note(
        "participant-silent",
        f"domain {basis.site.domain}",
        f"Ports of domain {basis.site.domain} ({numbers[0]} to {numbers[-1]}) are among those that Linux "
        "hands out to any program (ip_local_port_range).",
        "Now and then one is taken, and a participant cannot start or is not found.",
        "Use a domain from 0 to 101, or reserve the ports (net.ipv4.ip_local_reserved_ports).",
    )
