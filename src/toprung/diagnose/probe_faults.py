"""What a probe's results mean for the path: the same causes that captures would show.

A probe tried what it tried at one time; these are its faults alone, not yet weighed against any capture.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from toprung.model.finding import Severity
from toprung.model.probe import PortCheck, ProbeResults, Served, Way

ENOUGH = 3  # datagrams: fewer lost ones may be chance
IP_UDP_BYTES = 28  # RFC 791 without options, RFC 768


@dataclass(frozen=True, slots=True)
class ProbeFault:
    """One thing that does not pass.  `above_bytes`: only UDP payloads that are larger than that."""

    code: str  # a cause of `toprung.model.causes`
    sender: str
    receiver: str
    says: str
    seen: str  # what the probe did and what came of it
    severity: Severity = Severity.STOPS
    above_bytes: int = 0
    multicast: bool = False  # only multicast is hurt


EFFECTS = {
    "path-blocked": "The two machines do not know of each other; no flow between them works.",
    "one-way": "Nothing can be introduced or acknowledged: no flow between the two machines works.",
    "unicast-blocked": "Announcements may be heard, introductions and samples are not.",
    "multicast-blocked": "Participants that look for each other by multicast never hear of each other.",
    "mtu-hole": "Small topics work, large ones never arrive.",
    "fragments-blocked": "Small topics work; every sample larger than the MTU is lost.",
}
REMEDIES = {
    "path-blocked": (
        "Switch off the access point's client isolation (stations must be let speak to each other).",
        "Check that both are in the same network name, VLAN and switch, and both firewalls.",
    ),
    "one-way": (
        "Open the receiver's firewall for UDP from the sender: the domain's discovery and data ports.",
        "Check for filters on the way that pass one direction only.",
    ),
    "unicast-blocked": (
        "Open the receiver's firewall for UDP from the sender: the domain's discovery and data ports "
        "(and the ports that its participants announce).",
    ),
    "multicast-blocked": (
        "Let access point, switch and firewall pass multicast to 239.255.0.1 (multicast filter, IGMP "
        "snooping without a querier).",
        "Or give both machines' participants a peers list, or a discovery server.",
    ),
    "mtu-hole": (
        "Set the MTU of the sender's interface to what the narrowest link on the way carries.",
        "Or cap the middleware's greatest message size below it.",
    ),
    "fragments-blocked": (
        "Let IP fragments pass the firewall or router on the way.",
        "Or cap the middleware's greatest message size at 1,400 B, so that it fragments above UDP.",
    ),
}


def path_faults(results: ProbeResults, near: str, far: str) -> tuple[ProbeFault, ...]:
    """What does not pass between the two, which are named here as they shall be called."""
    named = ((results.there, near, far), (results.back, far, near))
    passing = {(way is results.there, m): _passes(way, m) for way, _, _ in named for m in (False, True)}
    if all(passes is None for passes in passing.values()):
        return ()
    if not any(passing.values()) and None not in passing.values():
        return (_all_blocked(results, near, far),)
    return (
        *(f for way, s, r in named for f in _blocked(way, s, r, any_back=_any(passing, way is results.back))),
        *_multicast(results, near, far, passing),
        *(fault for way, s, r in named for fault in _sizes(way, s, r)),
    )


def _passes(way: Way, multicast: bool) -> bool | None:
    """Whether any such datagram arrived; None where nobody can tell."""
    known = [c.passes for c in way.ports if c.multicast == multicast and c.passes is not None]
    return any(known) if known else None


def _any(passing: dict[tuple[bool, bool], bool | None], there: bool) -> bool:
    return any(passing[there, multicast] for multicast in (False, True))


def _all_blocked(results: ProbeResults, near: str, far: str) -> ProbeFault:
    sent = sum(c.sent for way in results.ways for c in way.ports)
    says = f"Nothing passes between {near} and {far}: neither multicast nor unicast of either arrives."
    return ProbeFault("path-blocked", near, far, says, f"none of {sent} datagrams arrived")


def _blocked(way: Way, sender: str, receiver: str, *, any_back: bool) -> Iterator[ProbeFault]:
    """Direct datagrams of one direction that do not arrive, all of them or those to some ports."""
    lost = [c for c in way.ports if not c.multicast and c.passes is False and c.sent >= ENOUGH]
    if not lost:
        return
    unicast, multicast = _passes(way, False), _passes(way, True)
    if not unicast and multicast is False and any_back:
        says = f"Datagrams pass from {receiver} to {sender} only; nothing of {sender} arrives at {receiver}."
        yield ProbeFault("one-way", sender, receiver, says, _counted([*way.ports]))
        return
    which = "Direct (unicast) datagrams" if not unicast else f"Direct datagrams to {_ports(lost)}"
    says = f"{which} from {sender} do not arrive at {receiver}" + (", multicast does." if multicast else ".")
    yield ProbeFault("unicast-blocked", sender, receiver, says, _counted(lost))


def _multicast(
    results: ProbeResults, near: str, far: str, passing: dict[tuple[bool, bool], bool | None]
) -> Iterator[ProbeFault]:
    """Both ways: no discovery by multicast; one way heals, whoever hears it answers by unicast."""
    ways = [(results.there, near, far), (results.back, far, near)]
    lost = [(way, s, r) for way, s, r in ways if passing[way is results.there, True] is False]
    lost = [(way, s, r) for way, s, r in lost if _passes(way, False) is not False]  # else it is named already
    if len(lost) == 2:
        says = f"Multicast between {near} and {far} is sent and does not arrive, in either direction."
        seen = "; ".join(
            f"{s} -> {r}: {_counted([c for c in way.ports if c.multicast])}" for way, s, r in lost
        )
        yield ProbeFault("multicast-blocked", near, far, says, seen, multicast=True)
        return
    for way, sender, receiver in lost:
        says = f"Multicast of {sender} does not arrive at {receiver}; the other direction passes."
        seen = _counted([c for c in way.ports if c.multicast])
        yield ProbeFault("multicast-blocked", sender, receiver, says, seen, Severity.NOTE, multicast=True)


def _sizes(way: Way, sender: str, receiver: str) -> Iterator[ProbeFault]:
    one, torn = way.unfragmented, way.fragmented
    if one is not None and one.lost_bytes is not None:
        passed = one.passed_bytes or 0
        told = way.learned_mtu_bytes == passed + IP_UDP_BYTES
        says = (
            f"Datagrams from {sender} to {receiver} above {passed:,} B do not arrive unless they are "
            f"fragmented, although {sender}'s interface sends up to {way.interface_mtu_bytes or 0:,} B"
            + ("; a router on the way says so, and senders adapt." if told else ".")
        )
        seen = f"{passed:,} B arrive, {one.lost_bytes:,} B do not, in one packet each"
        severity = Severity.NOTE if told else Severity.STOPS
        yield ProbeFault("mtu-hole", sender, receiver, says, seen, severity, above_bytes=passed)
    elif torn is not None and torn.passed_bytes is None and torn.lost_bytes is not None:
        top = torn.lost_bytes - 1
        says = (
            f"Datagrams from {sender} to {receiver} that need IP fragments (above {top:,} B) never arrive, "
            "while smaller ones do."
        )
        seen = f"{torn.lost_bytes:,} B, two fragments, do not arrive in any try"
        yield ProbeFault("fragments-blocked", sender, receiver, says, seen, above_bytes=top)


def unheard(results: ProbeResults, served: Served, near: str, far: str) -> ProbeFault | None:
    """Nothing passes: the prober heard nothing of a server that ran meanwhile and did not hear it.

    Both used one key, and their times overlap (by clocks that nobody compared: in good part, then).
    """
    if results.answered or results.key != served.key or any(c.passes for w in results.ways for c in w.ports):
        return None
    if results.far.addresses[0] not in served.near.addresses:
        return None
    if any(caller.host in results.near.addresses for caller in served.callers):
        return None
    begun = served.started_ns - served.seconds * 1e9 / 10
    ended = served.started_ns + served.seconds * 1.1e9
    if not begun <= results.started_ns <= results.started_ns + results.seconds * 1e9 <= ended:
        return None
    sent = max((c.sent for c in results.there.ports), default=0)
    says = f"Nothing passes between {near} and {far}: neither multicast nor unicast of either arrives."
    seen = f"{near} asked {sent} times at every port while {far} served; neither heard the other"
    return ProbeFault("path-blocked", near, far, says, seen)


def _counted(checks: list[PortCheck]) -> str:
    return ", ".join(f"{c.use} {c.port}: {c.arrived} of {c.sent} arrived" for c in checks)


def _ports(checks: list[PortCheck]) -> str:
    return " and ".join(f"port {c.port} ({c.use})" for c in checks)
