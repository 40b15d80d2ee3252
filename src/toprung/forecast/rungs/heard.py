"""Rung `heard`: does each participant's announcement reach the other, in the ways that the site declares?

One direction is enough: who hears another answers it by unicast (DDSI-RTPS 2.5, 8.5.3.3).  What the
libraries do beyond the standard was measured (docs/wire-notes.md): who has a peers list does not listen to
multicast, and its announcements reach only who listens on the standard's unicast ports.
"""

from __future__ import annotations

from collections.abc import Callable

from toprung.forecast.ports import tried_indices
from toprung.forecast.rungs.basis import Basis, Case, at, both, mode_of, speaks_by
from toprung.model.site import DiscoveryMode, Participant
from toprung.model.verdict import HELD, UNSEEN, Verdict, broken

LOOPBACK = "lo"
MULTICAST, PEERS, SERVER = DiscoveryMode.MULTICAST, DiscoveryMode.PEERS, DiscoveryMode.SERVER


def judge_heard(basis: Basis, case: Case) -> Verdict:
    """Whether the two hear of each other."""
    for check in CHECKS:
        if (verdict := check(basis, case)) is not None:
            return verdict
    return HELD


def _loopback(basis: Basis, case: Case) -> Verdict | None:
    if case.one_machine:
        return None
    for end in case.ends:
        if end.interfaces is not None and set(end.interfaces) <= {LOOPBACK}:
            return broken(
                "loopback-only",
                at(end),
                f"{end.name} is to speak on the loopback interface only.",
                f"Nobody outside {end.machine} can hear {end.name}.",
                (),
                (f"Let {end.name} use the interface of its link.",),
            )
    return None


def _wrong_interface(basis: Basis, case: Case) -> Verdict | None:
    """The machines have a way, the participants' interfaces are not on it."""
    reach = basis.reach
    if case.one_machine:
        apart = mode_of(case.writer) is mode_of(case.reader) is MULTICAST and not any(
            reach.multicast(a.name, b.name) for a, b in case.ways
        )
        return _interface_verdict(basis, case) if apart else None
    if all(reach.unicast(a.name, b.name) for a, b in case.ways):
        if not mode_of(case.writer) is mode_of(case.reader) is MULTICAST:
            return None
        if any(reach.multicast(a.name, b.name) for a, b in case.ways):
            return None
    return _interface_verdict(basis, case)


def _interface_verdict(basis: Basis, case: Case) -> Verdict | None:
    tied = next((end for end in case.ends if end.interfaces is not None), None)
    if tied is None:
        return None
    other = case.reader if tied is case.writer else case.writer
    used = ", ".join(tied.interfaces or ()) or "no interface"
    return broken(
        "wrong-interface",
        at(tied),
        f"{tied.name} is to speak on {used} only, from where {other.name} ({other.machine}) is not reached.",
        f"{other.name} and {tied.name} never hear of each other.",
        (),
        (
            f"Let {tied.name} use the interface towards {other.machine}, too (the middleware's "
            "interface list).",
        ),
    )


def _server(basis: Basis, case: Case) -> Verdict | None:
    """A client needs its server within reach; two clients need the same one."""
    for end in case.ends:
        if mode_of(end) is SERVER and (verdict := _absent(basis, end)) is not None:
            return verdict
    asked = [a for end in case.ends if mode_of(end) is SERVER for a in basis.reach.asks(end.name)]
    if len({(a.machine, a.port) for a in asked}) < 2:
        return None
    told = " and ".join(sorted({f"{a.address}:{a.port}" for a in asked}))
    return broken(
        "discovery-mode",
        both(case.writer.name, case.reader.name),
        f"{case.writer.name} and {case.reader.name} ask two different discovery servers ({told}).",
        "Neither server knows of both.",
        (),
        ("Let both ask the same server, or connect the two servers.",),
    )


def _absent(basis: Basis, client: Participant) -> Verdict | None:
    asked = next(iter(basis.reach.asks(client.name)), None)
    if asked is None or asked.route is not None:
        return None
    place = f"{asked.address}:{asked.port}"
    why = (
        f"no machine of the site has the address {asked.address}"
        if asked.machine is None
        else f"{client.machine} has no way to {asked.machine}"
    )
    return broken(
        "server-absent",
        f"discovery server {place}",
        f"{client.name} asks the discovery server at {place}, but {why}.",
        f"{client.name} learns of nobody, and nobody of it.",
        (),
        (
            f"Point {client.name} at an address of the server's machine that {client.machine} reaches.",
            f"Or join {client.machine} to the server by a link or a router.",
        ),
    )


def _mixed(basis: Basis, case: Case) -> Verdict | None:
    """One has a server and the other not, or one a peers list that does not reach the other."""
    one, other = case.ends
    modes = {mode_of(one), mode_of(other)}
    if len(modes) == 1:
        return None
    if SERVER not in modes and any(_knocks(basis, a, b) for a, b in case.ways):
        return None
    return broken(
        "discovery-mode",
        both(one.name, other.name),
        f"{one.name} looks for others {speaks_by(one)}, {other.name} {speaks_by(other)}.",
        "Each speaks where the other does not listen.",
        (),
        (
            "Let both discover in the same way: multicast, lists that name each other's machines, or "
            "one server.",
        ),
    )


def _listed(basis: Basis, speaker: Participant, listener: Participant) -> bool:
    """Whether the speaker's list has an address at which the listener's machine is reached."""
    return any(a.machine == listener.machine and a.route is not None for a in basis.reach.asks(speaker.name))


def _knocks(basis: Basis, speaker: Participant, listener: Participant) -> bool:
    """Whether an announcement by peers list reaches the listener."""
    index = basis.ports[listener.name].index
    return (
        mode_of(speaker) is PEERS
        and _listed(basis, speaker, listener)
        and index is not None
        and index < tried_indices(speaker.middleware)
    )


def _peers(basis: Basis, case: Case) -> Verdict | None:
    """Both have lists: one of them must reach the other."""
    if {mode_of(end) for end in case.ends} != {PEERS} or any(_knocks(basis, a, b) for a, b in case.ways):
        return None
    for speaker, listener in case.ways:
        if _listed(basis, speaker, listener):
            return _index_verdict(basis, speaker, listener)
    if case.one_machine:
        return UNSEEN  # a library may add its own machine to the list
    return _missing_verdict(basis, case)


def _index_verdict(basis: Basis, speaker: Participant, listener: Participant) -> Verdict:
    index, most = basis.ports[listener.name].index or 0, tried_indices(speaker.middleware)
    return broken(
        "index-beyond-reach",
        at(listener),
        f"{listener.name} is participant {index + 1} of {listener.machine}; {speaker.name} tries the "
        f"ports of the first {most} only.",
        f"{listener.name} never hears of {speaker.name}, unless it happens to start before others.",
        (),
        (
            f"Raise the number of participant indices that {speaker.name} tries above {index + 1}.",
            f"Or run at most {most} participants on {listener.machine}.",
        ),
    )


def _missing_verdict(basis: Basis, case: Case) -> Verdict:
    one, other = case.ends
    theirs = {end.name: ", ".join(basis.hosts[end.machine]) or "no address" for end in case.ends}
    return broken(
        "peer-missing",
        both(one.machine, other.machine),
        f"Neither {one.name}'s list names {other.machine} ({theirs[other.name]}), nor {other.name}'s "
        f"{one.machine} ({theirs[one.name]}).",
        f"{one.name} and {other.name} never hear of each other.",
        (),
        (f"Add an address of {other.machine} to the peers of {one.name}; better, the other way, too.",),
    )


CHECKS: tuple[Callable[[Basis, Case], Verdict | None], ...] = (
    _loopback,
    _wrong_interface,
    _server,
    _mixed,
    _peers,
)
