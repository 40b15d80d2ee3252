"""toprung listen --join: a participant of our own, for some seconds, so that everybody introduces itself."""

from __future__ import annotations

import sys
import time
from contextlib import ExitStack
from typing import TYPE_CHECKING

from toprung.errors import UsageError

if TYPE_CHECKING:
    from toprung.live.listening import Listening
    from toprung.model.site import Site

STAY_S = 10.0  # Fast DDS announces itself every 3 s: by then everybody has met us


class Guest:
    """Comes for some seconds, and leaves with a goodbye."""

    def __init__(self, interfaces: tuple[str, ...], site: Site | None, domain: int | None) -> None:
        from toprung.model.site import DiscoveryMode
        from toprung.wire.ports import LAST_DOMAIN

        self.interfaces = _named(interfaces)
        self.site = site
        self.domain = domain if domain is not None else site.domain if site is not None else 0
        if not 0 <= self.domain <= LAST_DOMAIN:
            right = f"0 to {LAST_DOMAIN} would be right"
            raise UsageError("there is no such domain", f"--domain {domain}", right)
        discoveries = () if site is None else [p.discovery for p in site.participants if p.discovery]
        modes = {d.mode for d in discoveries}
        if modes == {DiscoveryMode.SERVER} and site and len(discoveries) == len(site.participants):
            raise UsageError(
                "all participants meet at a discovery server, which introduces nobody to a late comer",
                "--join",
                "listen before they start, without --join",
            )
        apart = {p.machine for p in site.participants if p.discovery and p.discovery.peers} if site else set()
        hosts = {h for m in site.machines if m.name in apart for h in m.hosts} if site else set()
        self.peers = tuple(sorted(hosts))
        self._stay = ExitStack()
        self._leaves = 0.0

    def to_hear(self, interfaces: tuple[str, ...]) -> tuple[str, ...]:
        """Interfaces to listen on: participants of this machine introduce themselves to us by loopback."""
        from toprung.live.packets import ANY

        return interfaces if ANY in interfaces or "lo" in interfaces else (*interfaces, "lo")

    def ask(self, yes: bool) -> None:
        """Say what joining costs, and ask where that exceeds a budget.  Raises UsageError: nobody to ask."""
        if self.site is None:
            sys.stderr.write("Joining makes every participant introduce itself once more, to us.\n")
            return
        from toprung.live.here import networks_on
        from toprung.live.join_cost import cost_lines, cost_of

        costs = cost_of(self.site, networks_on(self.interfaces), self.peers)
        lines = "".join(f"  {line}\n" for line in cost_lines(costs))
        sys.stderr.write(f"Joining costs, once:\n{lines}")
        over = [f"{cost.machine}: {words}" for cost in costs for words in cost.over]
        if not over or yes:
            return
        if sys.stdin.isatty() and sys.stderr.isatty():
            sys.stderr.write("That is more than a machine's budget. Join? [y/N] ")
            sys.stderr.flush()
            if sys.stdin.readline().strip().lower() in ("y", "yes"):
                return
        raise UsageError(
            f"joining would be too much: {'; '.join(over)}", "--join", "--yes joins in spite of it"
        )

    def come(self, listening: Listening) -> None:
        """Join what is listened to already."""
        from toprung.live.join import joined

        guest = self._stay.enter_context(joined(self.interfaces, self.domain, peers=self.peers))
        listening.ours.add(guest.prefix)
        self._leaves = time.monotonic() + STAY_S

    def look(self) -> None:
        """Go, once everybody has met us."""
        if time.monotonic() >= self._leaves:
            self._stay.close()

    def __enter__(self) -> Guest:
        return self

    def __exit__(self, *_: object) -> None:
        self._stay.close()


def _named(interfaces: tuple[str, ...]) -> tuple[str, ...]:
    """Interfaces that a participant can use; "any" stands for all with an address."""
    from toprung.live.packets import ANY
    from toprung.live.probing.sockets import nics

    if ANY not in interfaces:
        return interfaces
    return tuple(dict.fromkeys(n.interface for n in nics() if not n.address.startswith("127.")))
