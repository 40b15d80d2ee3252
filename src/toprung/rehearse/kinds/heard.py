"""Faults of discovery: participants that do not hear of each other."""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import ip_interface

from toprung.model.ladder import Flow
from toprung.model.site import DiscoveryMode
from toprung.rehearse.kinds.kind import (
    Ask,
    Change,
    Key,
    Kind,
    Subject,
    flows_between,
    flows_of_participants,
    one_of,
    seconds,
    text,
    unfit,
    whole,
)
from toprung.rehearse.kinds.places import back, forth
from toprung.rehearse.specs import Begin, End, Event, Lapse, PeerSpec, Plan, ServerSpec

FAR_INDEX = 110  # beyond the ports that either library tries by default (Cyclone DDS 0-99, Fast DDS 0-3)
STANDARD_SERVER_PORT = 11811


def _domain(plan: Plan, ask: Ask) -> None:
    for peer in ask.peers(plan):
        peer.domain = ask.values["domain"] if ask.values["domain"] is not None else peer.domain + 3


def _tag(plan: Plan, ask: Ask) -> None:
    for peer in ask.peers(plan):
        peer.tag = ask.values["tag"]


def _loopback(plan: Plan, ask: Ask) -> None:
    for peer in ask.peers(plan):
        peer.interfaces = ["lo"]


def _tied(plan: Plan, ask: Ask) -> None:
    for peer in ask.peers(plan):
        known = plan.machines[peer.machine].interfaces
        if ask.values["interface"] not in known:
            right = ", ".join(known)
            raise unfit(ask, f'{peer.machine} has no interface "{ask.values["interface"]}"', right)
        peer.interfaces = [ask.values["interface"]]


def _through_others(ask: Ask) -> list[Flow]:
    """Flows for which every way leaves or reaches the tied machine by another interface."""
    tied, names = ask.values["interface"], set(ask.participants())
    found = []
    for f in ask.flows():
        if f.writer in names and f.reader not in names:
            if all(way and way[0].sender.interface != tied for way in forth(ask, f)):
                found.append(f.flow)
        elif (
            f.reader in names
            and f.writer not in names
            and all(way and way[0].sender.interface != tied for way in back(ask, f))
        ):
            found.append(f.flow)
    return found


# lists of peers


def to_lists(plan: Plan) -> None:
    """Have everybody who uses multicast find everybody by a list of addresses."""
    hosts = {p.machine for p in plan.peers.values()}
    everywhere = [address for machine in sorted(hosts) for address in addresses(plan, machine)]
    for peer in plan.peers.values():
        if peer.mode == "multicast":
            peer.mode, peer.peers = "peers", list(everywhere)


def addresses(plan: Plan, machine: str) -> list[str]:
    """Every address of a machine, without prefix length."""
    return [str(ip_interface(a).ip) for said in plan.machines[machine].interfaces.values() for a in said]


def _forget(plan: Plan, peer: PeerSpec, machine: str) -> None:
    gone = addresses(plan, machine)
    peer.peers = [p for p in peer.peers if p.partition(":")[0] not in gone]


def _lacking(plan: Plan, ask: Ask) -> None:
    """Neither side has the other in its list: one of the two would be enough."""
    other = ask.values["lacks"]
    if other not in plan.machines:
        raise unfit(ask, f'there is no machine "{other}"', ", ".join(plan.machines))
    to_lists(plan)
    mine = ask.peers(plan)
    for peer in mine:
        _forget(plan, peer, other)
    for peer in plan.peers.values():
        if peer.machine == other:
            for machine in {p.machine for p in mine}:
                _forget(plan, peer, machine)


def _flows_with(ask: Ask) -> list[Flow]:
    """Flows between the participants meant and those of the machine that is lacking."""
    names, other = set(ask.participants()), ask.values["lacks"]
    beyond = {p.name for p in ask.site.participants if p.machine == other}
    return [
        f.flow
        for f in ask.flows()
        if (f.writer in names and f.reader in beyond) or (f.reader in names and f.writer in beyond)
    ]


def _far_index(plan: Plan, ask: Ask) -> None:
    """Beyond the range, and dependent on being found: it does not know the others' addresses."""
    to_lists(plan)
    for n, peer in enumerate(ask.peers(plan)):
        peer.index = ask.values["index"] + n
        _forget(plan, peer, ask.values["lacks"])


# servers


def _server_down(plan: Plan, ask: Ask) -> None:
    if not plan.servers:
        raise unfit(ask, "the site declares no discovery server", "`discovery: {server: ADDRESS:PORT}`")
    plan.servers.clear()


def _served_flows(ask: Ask) -> list[Flow]:
    served = {
        p.name for p in ask.site.participants if p.discovery and p.discovery.mode is DiscoveryMode.SERVER
    }
    return [f.flow for f in ask.flows() if {f.writer, f.reader} & served]


def _server_port(plan: Plan, ask: Ask) -> None:
    for peer in ask.peers(plan):
        if peer.mode != "server":
            raise unfit(ask, f"{peer.name} uses no discovery server", "a participant with `server:`")
        peer.server = f"{peer.server.rpartition(':')[0]}:{ask.values['port']}"


def _other_mode(plan: Plan, ask: Ask) -> None:
    beside = {f.writer for f in flows_of_participants(ask)} | {f.reader for f in flows_of_participants(ask)}
    concerned = {ask.machine_of(name) for name in beside}
    others = [m for m in sorted({p.machine for p in plan.peers.values()}) if m not in concerned]
    for peer in ask.peers(plan):
        if ask.values["mode"] == "peers":
            listed = others or [peer.machine]
            peer.mode, peer.peers = "peers", [a for m in listed for a in addresses(plan, m)]
            continue
        if peer.middleware != "fast":
            raise unfit(ask, f"{peer.name} runs Cyclone DDS, which knows no server", "mode=peers")
        machine, address = _neighbour(plan, ask, peer.name)
        peer.mode, peer.server = "server", f"{address}:{STANDARD_SERVER_PORT}"
        server = ServerSpec(machine, (address,), STANDARD_SERVER_PORT)
        if server not in plan.servers:
            plan.servers.append(server)


def _neighbour(plan: Plan, ask: Ask, name: str) -> tuple[str, str]:
    """A machine that the participant has flows with, and its address on their link; else its own."""
    for flow in ask.flows():
        if flow.writer != name and flow.reader != name:
            continue
        for way in forth(ask, flow) if flow.writer == name else back(ask, flow):
            if way:
                joint = way[-1].receiver
                return joint.machine, str(
                    ip_interface(plan.machines[joint.machine].interfaces[joint.interface][0]).ip
                )
    machine = ask.machine_of(name)
    return machine, addresses(plan, machine)[0]


# lives


def _never(plan: Plan, ask: Ask) -> None:
    for peer in ask.peers(plan):
        peer.begins_s = None
    gone = set(ask.participants())
    plan.events = [e for e in plan.events if not (isinstance(e.what, Begin) and e.what.participant in gone)]


def _ending(goodbye: bool) -> Change:
    def end(plan: Plan, ask: Ask) -> None:
        plan.events += [Event(ask.at_s or 0.0, End(name, goodbye)) for name in ask.participants()]

    return end


def _lapsing(plan: Plan, ask: Ask) -> None:
    for peer in ask.peers(plan):
        peer.lease, peer.announce = ask.values["lease"], ask.values["lease"] / 4
        lapse = Lapse(peer.name, ask.values["stopped"], ask.values["running"])
        plan.events.append(Event(ask.at_s or 0.0, lapse))


def _touched(ask: Ask) -> list[Flow]:
    """All flows of the participants, also those among them."""
    names = set(ask.participants())
    return [f.flow for f in ask.flows() if {f.writer, f.reader} & names]


def _paced(ask: Ask) -> Iterable[Flow]:
    """Those of the participants' flows that should bring samples all the time."""
    paced = {f.flow for f in ask.flows() if f.rate_hz is not None}
    return [f for f in flows_between(ask, ask.participants()) if f in paced]


LACKS = Key("lacks", "", text, "the machine whose addresses are left out", needed=True)

KINDS = (
    Kind(
        "wrong-domain",
        Subject.WHO,
        "runs in another DDS domain",
        ("domain-mismatch",),
        _domain,
        flows_of_participants,
        keys=(Key("domain", "", whole, "the other domain; left out: three more"),),
    ),
    Kind(
        "domain-tag",
        Subject.WHO,
        "carries a domain tag that the others lack",
        ("domain-tag",),
        _tag,
        flows_of_participants,
        keys=(Key("tag", "bench", text, "the tag"),),
        library="cyclone",
    ),
    Kind(
        "loopback-only",
        Subject.WHO,
        "speaks on the loopback interface only",
        ("loopback-only",),
        _loopback,
        flows_of_participants,
    ),
    Kind(
        "wrong-interface",
        Subject.WHO,
        "is tied to one interface, and the others are beyond another",
        ("wrong-interface",),
        _tied,
        _through_others,
        keys=(Key("interface", "", text, "the interface that it is tied to", needed=True),),
    ),
    Kind(
        "peer-missing",
        Subject.WHO,
        "all find each other by lists of addresses; two lack each other",
        ("peer-missing",),
        _lacking,
        _flows_with,
        keys=(LACKS,),
    ),
    Kind(
        "index-beyond",
        Subject.WHO,
        "found by lists only, and its participant index is beyond the ports that are tried",
        ("index-beyond-reach", "peer-missing"),
        _far_index,
        _flows_with,
        keys=(LACKS, Key("index", str(FAR_INDEX), whole, "the participant index")),
    ),
    Kind(
        "server-down",
        Subject.SITE,
        "the central discovery server does not run",
        ("server-absent",),
        _server_down,
        _served_flows,
        library="fast",
    ),
    Kind(
        "server-port",
        Subject.WHO,
        "asks the central discovery server at another port",
        ("server-absent",),
        _server_port,
        flows_of_participants,
        keys=(Key("port", "11911", whole, "the port that it asks"),),
        library="fast",
    ),
    Kind(
        "other-mode",
        Subject.WHO,
        "looks for others in another way than they do",
        ("discovery-mode", "peer-missing"),
        _other_mode,
        flows_of_participants,
        keys=(Key("mode", "peers", one_of("peers", "server"), "a list without the others, or a server"),),
    ),
    Kind(
        "never-started",
        Subject.WHO,
        "its program is not started",
        ("participant-silent",),
        _never,
        _touched,
    ),
    Kind(
        "left",
        Subject.WHO,
        "its program ends with a goodbye",
        ("participant-left",),
        _ending(goodbye=True),
        _touched,
        at_s=4.0,
        timed=True,
    ),
    Kind(
        "killed",
        Subject.WHO,
        "its program dies without a goodbye",
        ("participant-lost",),
        _ending(goodbye=False),
        _touched,
        at_s=4.0,
        timed=True,
    ),
    Kind(
        "lapsing",
        Subject.WHO,
        "pauses longer than its lease, again and again",
        ("lease-lapsed",),
        _lapsing,
        _paced,
        _touched,
        keys=(
            Key("lease", "2s", seconds, "its lease"),
            Key("stopped", "4s", seconds, "how long it pauses"),
            Key("running", "2s", seconds, "how long it runs in between"),
        ),
        at_s=3.0,
        timed=True,
    ),
)
