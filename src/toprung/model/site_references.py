"""Whether the names in a site file lead anywhere, and whether its addresses are its own.

Works on the plain data, after fleets are spread and beside the schema, so that one run reports the faults
of both.  What the schema refuses is passed over here.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from ipaddress import ip_interface
from typing import Any

from toprung.model.site_faults import Fault, Path, nearest
from toprung.model.site_flows import PARTS

Data = dict[str, Any]


def reference_faults(data: Data) -> Iterator[Fault]:
    """Every dangling name, and every address, interface or topic that is used twice."""
    for check in CHECKS:
        yield from check(data)


def entries(data: Data, section: str) -> dict[str, Data]:
    """A section's entries; what is no mapping counts as empty."""
    found = data.get(section)
    if not isinstance(found, dict):
        return {}
    return {name: entry if isinstance(entry, dict) else {} for name, entry in found.items()}


def texts(value: object, path: Path) -> Iterator[tuple[Path, str]]:
    """The words of a value that may be one word or a list of them, each with its place."""
    if isinstance(value, list):
        for at, item in enumerate(value):
            yield from _word((*path, at), item)
    else:
        yield from _word(path, value)


def _word(path: Path, value: object) -> Iterator[tuple[Path, str]]:
    """A name; one that YAML reads as a number is a name, too, as the schema takes it."""
    if isinstance(value, str | int | float) and not isinstance(value, bool):
        yield path, str(value)


def _unknown(path: Path, what: str, wrong: str, known: Collection[str]) -> Iterator[Fault]:
    if wrong not in known:
        yield Fault(path, f'there is no {what} "{wrong}"', nearest(wrong, known))


def _each_once(what: str, found: list[tuple[Path, str]]) -> Iterator[Fault]:
    seen: set[str] = set()
    for path, name in found:
        if name in seen:
            yield Fault(path, f'{what} "{name}" stands twice', "each once")
        seen.add(name)


def _interfaces(data: Data) -> dict[str, tuple[str, ...] | None]:
    """The interfaces of each machine; None where it declares none that could be missed."""
    machines = entries(data, "machines")
    return {name: tuple(entries(machine, "interfaces")) or None for name, machine in machines.items()}


def _links(data: Data) -> Iterator[Fault]:
    interfaces = _interfaces(data)
    joined: dict[str, str] = {}
    for name, link in entries(data, "links").items():
        ends = list(texts(link.get("joins"), ("links", name, "joins")))
        for path, end in ends:
            yield from _end(path, end, interfaces)
            other = joined.setdefault(end, name)
            if other != name:
                yield Fault(path, f'"{end}" is joined by "{other}" too', "each interface on one link")
        yield from _each_once("interface", ends)
        kind = link.get("kind")
        if link.get("standard") is not None and kind in ("usb", "ethernet"):
            yield Fault(("links", name, "standard"), f"this link is {kind}", "kind: wifi, or no standard")


def _end(path: Path, end: str, interfaces: dict[str, tuple[str, ...] | None]) -> Iterator[Fault]:
    machine, _, interface = end.partition(".")
    own = interfaces.get(machine)
    if machine not in interfaces:
        yield Fault(path, f'there is no machine "{machine}"', nearest(machine, interfaces))
    elif not interface:
        yield Fault(path, f'"{end}" names no interface', f"{machine}.{(own or ('eth0',))[0]}")
    elif own is not None and interface not in own:
        yield Fault(path, f'{machine} has no interface "{interface}"', f"{machine}.{nearest(interface, own)}")


def _participants(data: Data) -> Iterator[Fault]:
    interfaces = _interfaces(data)
    for name, participant in entries(data, "participants").items():
        machine = participant.get("machine")
        if not isinstance(machine, str):
            continue
        yield from _unknown(("participants", name, "machine"), "machine", machine, interfaces)
        own = interfaces.get(machine)
        for path, interface in texts(participant.get("interfaces"), ("participants", name, "interfaces")):
            if own is not None and interface not in own:
                yield Fault(path, f'{machine} has no interface "{interface}"', nearest(interface, own))


def _flow_ends(data: Data) -> Iterator[Fault]:
    known = entries(data, "participants")
    for section in ("topics", "services", "actions"):
        for name, entry in entries(data, section).items():
            for key in ("from", "to"):
                ends = list(texts(entry.get(key), (section, name, key)))
                for path, end in ends:
                    yield from _unknown(path, "participant", end, known)
                yield from _each_once("participant", ends)


def _loops(data: Data) -> Iterator[Fault]:
    topics, participants = entries(data, "topics"), entries(data, "participants")
    for name, loop in entries(data, "loops").items():
        path: Path = ("loops", name)
        sense = entries({"loop": loop}, "loop").get("sense", {})
        through = list(texts(loop.get("through"), (*path, "through")))
        for place, topic in [*through, *texts(sense.get("topic"), (*path, "sense", "topic"))]:
            yield from _unknown(place, "topic", topic, topics)
        for participant in entries(loop, "work"):
            yield from _unknown((*path, "work", participant), "participant", participant, participants)
        for place, vehicle in texts(loop.get("vehicle"), (*path, "vehicle")):
            yield from _unknown(place, "vehicle", vehicle, entries(data, "vehicles"))


def _addresses(data: Data) -> Iterator[Fault]:
    owners: dict[str, str] = {}
    for machine, entry in entries(data, "machines").items():
        interfaces = entry.get("interfaces")
        for interface, value in interfaces.items() if isinstance(interfaces, dict) else ():
            path: Path = ("machines", machine, "interfaces", interface)
            bare = value.get("address") if isinstance(value, dict) else value
            for _, text in texts(bare, path):
                host = _host(text)
                owner = owners.setdefault(host, f"{machine}.{interface}") if host else ""
                if host and (owner != f"{machine}.{interface}" or _host_count(bare, host) > 1):
                    right = "an address of its own (in a fleet: with {n} in it, like 10.77.{n}.2/24)"
                    yield Fault(path, f"{host} is the address of {owner} already", right)


def _host(text: str) -> str:
    try:
        return str(ip_interface(text).ip)
    except ValueError:
        return ""


def _host_count(value: object, host: str) -> int:
    return sum(_host(text) == host for _, text in texts(value, ()))


def _flow_names(data: Data) -> Iterator[Fault]:
    """Services and actions become topics; none may come out under a name that is taken."""
    owners = {topic: ("topics", topic) for topic in entries(data, "topics")}
    for section, parts in PARTS.items():
        for name in entries(data, section):
            for part in parts:
                owner = owners.setdefault(f"{name}/{part}", (section, name))
                if owner != (section, name):
                    says = f'its topic "{name}/{part}" is taken by {".".join(owner)}'
                    yield Fault((section, name), says, "another name")


def _fleets(data: Data) -> Iterator[Fault]:
    machines = entries(data, "machines")
    for name, fleet in entries(data, "fleets").items():
        copies = fleet.get("of")
        members: list[tuple[Path, str]] = []
        for at, copy in enumerate(copies if isinstance(copies, list) else ()):
            members += texts(copy, ("fleets", name, "of", at))
        for path, machine in members:
            yield from _unknown(path, "machine", machine, machines)
        yield from _each_once("machine", members)


CHECKS: tuple[Callable[[Data], Iterator[Fault]], ...] = (
    _links,
    _participants,
    _flow_ends,
    _loops,
    _addresses,
    _flow_names,
    _fleets,
)
