"""Before a late comer joins: what it costs each machine, and the question where a budget is too small."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from toprung.errors import UsageError
from toprung.live.join_cost import cost_lines, cost_of, peers_of
from toprung.live.probing.sockets import nics
from toprung.model.site import Site

_UNKNOWN = (
    "joining: every participant introduces itself once more; without a site nobody can say what that costs"
)


def agreed_peers(site: Site | None, interfaces: Sequence[str], yes: bool) -> tuple[str, ...]:
    """Say on stderr what joining costs, and ask where it exceeds a declared budget; `yes` goes on unasked.

    Returns the addresses at which to look for others, for `toprung.live.join.joined`.  Raises UsageError
    where the answer is no, or where nobody can be asked.
    """
    if site is None:
        sys.stderr.write(_UNKNOWN + "\n")
        return ()
    own = [f"{n.address}/{n.prefix_length}" for n in nics() if n.interface in interfaces]
    if not own:
        says = "an interface with an address would be right"
        raise UsageError(
            "it has no IPv4 address: a participant cannot join there", ", ".join(interfaces), says
        )
    peers = peers_of(site)
    costs = cost_of(site, own, peers)
    sys.stderr.write("joining costs, in the seconds after it:\n")
    sys.stderr.writelines(f"  {line}\n" for line in cost_lines(costs))
    sys.stderr.flush()
    if any(cost.over for cost in costs) and not yes:
        _ask([cost.machine for cost in costs if cost.over])
    return peers


def _ask(machines: list[str]) -> None:
    over = ", ".join(machines)
    says = f"this is more than the site's budget for {over}"
    if not sys.stdin.isatty():
        raise UsageError(says, "--join", "--yes, to join all the same, would be right")
    sys.stderr.write(f"{says}. Join all the same? [y/N] ")
    sys.stderr.flush()
    if sys.stdin.readline().strip().lower() not in ("y", "yes"):
        raise UsageError("not joined", "--join", "without --join nothing is sent")
