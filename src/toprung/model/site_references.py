"""Whether the names in a site file lead anywhere, and whether its addresses are its own."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator

from toprung.model.site import LinkKind, Site
from toprung.model.site_faults import Fault, Path, nearest


def reference_faults(site: Site) -> Iterator[Fault]:
    """Every dangling name and every address, interface or topic used twice."""
    for check in CHECKS:
        yield from check(site)


def _unknown(path: Path, what: str, wrong: str, known: Collection[str]) -> Iterator[Fault]:
    if wrong not in known:
        yield Fault(path, f'there is no {what} "{wrong}"', nearest(wrong, known))


def _twice(path: Path, what: str, names: tuple[str, ...]) -> Iterator[Fault]:
    for at, name in enumerate(names):
        if name in names[:at]:
            yield Fault((*path, at), f'{what} "{name}" stands twice', "each once")


def _links(site: Site) -> Iterator[Fault]:
    interfaces = {f"{m.name}.{i.name}" for m in site.machines for i in m.interfaces}
    bare = {m.name for m in site.machines if not m.interfaces}
    joined: dict[str, str] = {}
    for link in site.links:
        for at, joint in enumerate(link.joins):
            path: Path = ("links", link.name, "joins", at)
            if not joint.interface:
                ends = sorted(i for i in interfaces if i.startswith(joint.machine + "."))
                yield Fault(
                    path, f'"{joint.machine}" names no interface', ends[0] if ends else "machine.interface"
                )
            elif joint.machine not in bare:
                yield from _unknown(path, "interface", str(joint), interfaces)
            other = joined.setdefault(str(joint), link.name)
            if other != link.name:
                yield Fault(path, f'"{joint}" is joined by "{other}" too', "an interface on one link only")
        yield from _twice(("links", link.name, "joins"), "interface", tuple(map(str, link.joins)))
        if link.standard is not None and link.kind is not LinkKind.WIFI:
            yield Fault(
                ("links", link.name, "standard"), f"a standard is for wifi, this is {link.kind}", "kind: wifi"
            )


def _participants(site: Site) -> Iterator[Fault]:
    machines = {m.name: m for m in site.machines}
    for p in site.participants:
        yield from _unknown(("participants", p.name, "machine"), "machine", p.machine, machines)
        if p.machine not in machines:
            continue
        own = {i.name for i in machines[p.machine].interfaces}
        for at, name in enumerate(p.interfaces or ()):
            if own:
                what = f"interface of {p.machine}"
                yield from _unknown(("participants", p.name, "interfaces", at), what, name, own)


def _ends(site: Site) -> Iterator[Fault]:
    known = {p.name for p in site.participants}
    sections = (
        ("topics", [(t.name, t.writers, t.readers) for t in site.topics]),
        ("services", [(s.name, s.clients, s.servers) for s in site.services]),
        ("actions", [(a.name, a.clients, a.servers) for a in site.actions]),
    )
    for section, entries in sections:
        for name, writers, readers in entries:
            for key, ends in (("from", writers), ("to", readers)):
                path: Path = (section, name, key)
                for at, end in enumerate(ends):
                    yield from _unknown((*path, at), "participant", end, known)
                yield from _twice(path, "participant", ends)


def _loops(site: Site) -> Iterator[Fault]:
    topics = {t.name for t in site.topics}
    participants = {p.name for p in site.participants}
    vehicles = {v.name for v in site.vehicles}
    for loop in site.loops:
        path: Path = ("loops", loop.name)
        for at, topic in enumerate(loop.through):
            yield from _unknown((*path, "through", at), "topic", topic, topics)
        for work in loop.work:
            yield from _unknown(
                (*path, "work", work.participant), "participant", work.participant, participants
            )
        if loop.sense is not None:
            yield from _unknown((*path, "sense", "topic"), "topic", loop.sense.topic, topics)
        if loop.vehicle is not None:
            yield from _unknown((*path, "vehicle"), "vehicle", loop.vehicle, vehicles)


def _addresses(site: Site) -> Iterator[Fault]:
    owners: dict[str, str] = {}
    for machine in site.machines:
        for interface in machine.interfaces:
            path: Path = ("machines", machine.name, "interfaces", interface.name)
            for host in interface.hosts:
                here = f"{machine.name}.{interface.name}"
                if host in owners:
                    yield Fault(path, f"{host} is the address of {owners[host]} too", "an address of its own")
                owners.setdefault(host, here)


def _flow_names(site: Site) -> Iterator[Fault]:
    """Services and actions become topics: none may come out under a name that is taken."""
    owners: dict[str, str] = {t.name: f"topics.{t.name}" for t in site.topics}
    for flow in site.flows():
        section = next((s for s, names in _sections(site) if _owner(flow.topic, names)), "topics")
        name = _owner(flow.topic, dict(_sections(site)).get(section, ())) or flow.topic
        owner = owners.setdefault(flow.topic, f"{section}.{name}")
        if owner != f"{section}.{name}":
            yield Fault((section, name), f'its topic "{flow.topic}" is {owner} too', "another name")


def _sections(site: Site) -> tuple[tuple[str, tuple[str, ...]], ...]:
    return (
        ("services", tuple(s.name for s in site.services)),
        ("actions", tuple(a.name for a in site.actions)),
    )


def _owner(topic: str, names: tuple[str, ...]) -> str | None:
    return next((n for n in names if topic.startswith(n + "/")), None)


def _fleets(site: Site) -> Iterator[Fault]:
    machines = {m.name for m in site.machines}
    for fleet in site.fleets:
        for at, copy in enumerate(fleet.copies):
            for name in copy:
                yield from _unknown(("fleets", fleet.name, "of", at), "machine", name, machines)


CHECKS: tuple[Callable[[Site], Iterator[Fault]], ...] = (
    _links,
    _participants,
    _ends,
    _loops,
    _addresses,
    _fleets,
)
