"""A site -> the text of its site file: stable, in the schema's order, with units.

`load_site(site_text(site)) == site`.  What is None is left out.  Short entries stand on one line.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from toprung.model import qos as q
from toprung.model import site as nouns
from toprung.model import units
from toprung.model.units import Dimension, written

WIDEST = 100
_INDENT = 2
# characters that make YAML read a plain word otherwise, or that readers might trip over
_SPECIAL = frozenset("{}[],&*#?|<>=!`\"'\\")
_NOT_FIRST = frozenset("-:.%@")
_TAKEN = frozenset({"yes", "no", "on", "off", "true", "false", "null", "y", "~"})

Data = dict[str, Any]


def site_text(site: nouns.Site) -> str:
    """The site file; ends with a newline."""
    head: Data = {"site": site.name, "domain": site.domain}
    if site.naming is not nouns.Naming.PLAIN:
        head["naming"] = site.naming.value
    sections: Data = {
        "machines": {m.name: _machine(m) for m in site.machines},
        "links": {x.name: _link(x) for x in site.links},
        "participants": {p.name: _participant(p) for p in site.participants},
        "topics": {t.name: _topic(t) for t in site.topics},
        "services": {s.name: _service(s) for s in site.services},
        "actions": {a.name: _ends(a.type_name, a.clients, a.servers) | _qos(a) for a in site.actions},
        "loops": {x.name: _loop(x) for x in site.loops},
        "vehicles": {v.name: _vehicle(v) for v in site.vehicles},
        "power": {p.name: _power(p) for p in site.power},
        "fleets": {f.name: {"of": [list(copy) for copy in f.copies]} for f in site.fleets},
    }
    lines = [f"{key}: {_scalar(value)}" for key, value in head.items()]
    for section, entries in sections.items():
        if entries:
            lines.append(f"{section}:")
            for name, entry in entries.items():
                lines += _entry(name, entry, _INDENT)
    return "\n".join(lines) + "\n"


def _entry(name: str, value: Any, indent: int) -> Iterable[str]:
    """An entry on one line where it fits, else key by key."""
    margin = " " * indent
    line = f"{margin}{_scalar(name)}: {_flow(value)}"
    if len(line) <= WIDEST or not isinstance(value, dict | list) or not value:
        yield line
        return
    yield f"{margin}{_scalar(name)}:"
    if isinstance(value, list):
        yield from (f"{margin}  - {_flow(item)}" for item in value)
        return
    for key, item in value.items():
        yield from _entry(key, item, indent + _INDENT)


def _flow(value: Any) -> str:
    match value:
        case dict():
            return "{" + ", ".join(f"{_scalar(k)}: {_flow(v)}" for k, v in value.items()) + "}"
        case list():
            return "[" + ", ".join(map(_flow, value)) + "]"
        case _:
            return _scalar(value)


def _scalar(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return str(value)
    return value if _is_plain(value) else _quoted(value)


def _is_plain(text: str) -> bool:
    """Whether YAML reads the bare word as this text, in blocks and in braces alike."""
    if not text or text.lower() in _TAKEN or text != text.strip() or not text.isprintable():
        return False
    if text[0] in _NOT_FIRST or text[-1] == ":" or ": " in text or _SPECIAL & set(text):
        return False
    try:
        float(text)
    except ValueError:
        return True
    return False


def _quoted(text: str) -> str:
    escaped = "".join(c if c.isprintable() and c not in '"\\' else _escape(c) for c in text)
    return f'"{escaped}"'


def _escape(c: str) -> str:
    return "\\" + c if c in '"\\' else f"\\U{ord(c):08x}"


def _some(**values: Any) -> Data:
    """The values that are known."""
    return {key: value for key, value in values.items() if value is not None}


def _in(value: int | float | None, dimension: Dimension) -> str | None:
    return None if value is None else written(value, dimension)


def _one_or_list(items: Iterable[str]) -> Any:
    listed = list(items)
    return listed[0] if len(listed) == 1 else listed


def _machine(m: nouns.Machine) -> Data:
    budget = m.budget and _some(
        participants=m.budget.participants,
        endpoints=m.budget.endpoints,
        messages=_in(m.budget.messages_hz, units.RATE),
    )
    return _some(
        role=m.role and m.role.value,
        interfaces={i.name: _interface(i) for i in m.interfaces} or None,
        budget=budget,
        forwards=[p.value for p in nouns.Pass if p in m.forwards] or None,
    )


def _interface(i: nouns.Interface) -> Any:
    address = _one_or_list(map(str, i.addresses))
    return address if i.mtu_bytes is None else {"address": address, "mtu": written(i.mtu_bytes, units.SIZE)}


def _link(x: nouns.Link) -> Data:
    return {"kind": x.kind.value, "joins": list(map(str, x.joins))} | _some(
        standard=x.standard and x.standard.value,
        rate=_in(x.rate_bps, units.BIT_RATE),
        multicast_rate=_in(x.multicast_rate_bps, units.BIT_RATE),
        delay=_in(x.delay_ns, units.TIME),
        access_point=x.access_point,
        loss=_in(x.loss, units.SHARE),
    )


def _participant(p: nouns.Participant) -> Data:
    return {"machine": p.machine} | _some(
        middleware=p.middleware and p.middleware.value,
        interfaces=None if p.interfaces is None else list(p.interfaces),
        discovery=p.discovery and _discovery(p.discovery),
    )


def _discovery(d: nouns.Discovery) -> Any:
    if d.server is not None:
        host, port = d.server
        return {"server": f"[{host}]:{port}" if ":" in host else f"{host}:{port}"}
    return {"peers": list(d.peers)} if d.mode is nouns.DiscoveryMode.PEERS else d.mode.value


def _ends(type_name: str | None, writers: tuple[str, ...], readers: tuple[str, ...]) -> Data:
    head = _some(type=type_name)
    if writers:
        head["from"] = _one_or_list(writers)
    if readers:
        head["to"] = _one_or_list(readers)
    return head


def _topic(t: nouns.Topic) -> Data:
    known = _some(size=_in(t.size_bytes, units.SIZE), rate=_in(t.rate_hz, units.RATE))
    limits = _some(within=_in(t.within_ns, units.TIME), loss=_in(t.loss, units.SHARE))
    exclusive = {"exclusive": True} if t.exclusive else {}
    return _ends(t.type_name, t.writers, t.readers) | known | _qos(t) | limits | exclusive


def _service(s: nouns.Service) -> Data:
    known = _some(rate=_in(s.rate_hz, units.RATE), within=_in(s.within_ns, units.TIME))
    return _ends(s.type_name, s.clients, s.servers) | known | _qos(s)


def _loop(x: nouns.Loop) -> Data:
    sense = x.sense and {"topic": x.sense.topic} | _some(range=_in(x.sense.range_m, units.LENGTH))
    work = {w.participant: written(w.time_ns, units.TIME) for w in x.work}
    return {"through": list(x.through)} | _some(work=work or None, sense=sense, vehicle=x.vehicle)


def _vehicle(v: nouns.Vehicle) -> Data:
    return _some(
        top_speed=_in(v.top_speed_m_per_s, units.SPEED),
        braking=_in(v.braking_m_per_s2, units.ACCELERATION),
        margin=_in(v.margin_m, units.LENGTH),
        watchdog=_in(v.watchdog_ns, units.TIME),
        track=_in(v.track_m, units.LENGTH),
        wheel_diameter=_in(v.wheel_diameter_m, units.LENGTH),
    )


def _power(p: nouns.Power) -> Data:
    return _some(
        capacity=_in(p.capacity_wh, units.ENERGY),
        loads={x.name: written(x.power_w, units.POWER) for x in p.loads} or None,
        reserve=_in(p.reserve, units.SHARE),
        dock_power=_in(p.dock_power_w, units.POWER),
        peukert=p.peukert,
        rated=_in(p.rated_ns, units.TIME),
        farthest=_in(p.farthest_m, units.LENGTH),
        speed=_in(p.speed_m_per_s, units.SPEED),
    )


def _qos(t: nouns.Topic | nouns.Service | nouns.Action) -> Data:
    """What both sides share, then what only one side says."""
    offered, requested = _policies(t.offered), _policies(t.requested)
    shared = {key: value for key, value in offered.items() if requested.get(key) == value}
    sides = {
        side: {key: value for key, value in policies.items() if key not in shared}
        for side, policies in (("offered", offered), ("requested", requested))
    }
    qos = shared | {side: policies for side, policies in sides.items() if policies}
    return {"qos": qos} if qos else {}


def _policies(stated: nouns.StatedQos) -> Data:
    return {policy: words(stated.qos) for policy, words in POLICY_WORDS.items() if policy in stated.policies}


def _span(ns: int) -> str:
    return "infinite" if ns >= q.INFINITE else written(ns, units.TIME)


def _liveliness(o: q.Qos) -> Any:
    kind = q.word(o.liveliness)
    return (
        kind if o.liveliness_lease_ns >= q.INFINITE else {"kind": kind, "lease": _span(o.liveliness_lease_ns)}
    )


def _ownership(o: q.Qos) -> Any:
    kind = q.word(o.ownership)
    return {"kind": kind, "strength": o.ownership_strength} if o.ownership_strength else kind


def _presentation(o: q.Qos) -> Any:
    flags = {"coherent": o.coherent_access, "ordered": o.ordered_access}
    kept = {key: True for key, flag in flags.items() if flag}
    return {"scope": q.word(o.access_scope)} | kept if kept else q.word(o.access_scope)


def _history(o: q.Qos) -> Any:
    kind = q.word(o.history)
    return kind if o.history_depth == 1 else {"kind": kind, "depth": o.history_depth}


def _limits(o: q.Qos) -> Any:
    limits = (o.max_samples, o.max_instances, o.max_samples_per_instance)
    words = ("samples", "instances", "samples_per_instance")
    return {word: limit for word, limit in zip(words, limits, strict=True) if limit > 0}


POLICY_WORDS: dict[str, Any] = {
    "reliability": lambda o: q.word(o.reliability),
    "durability": lambda o: q.word(o.durability),
    "deadline": lambda o: _span(o.deadline_ns),
    "latency_budget": lambda o: _span(o.latency_budget_ns),
    "liveliness": _liveliness,
    "ownership": _ownership,
    "destination_order": lambda o: q.word(o.destination_order),
    "presentation": _presentation,
    "partition": lambda o: list(o.partition),
    "data_representation": lambda o: _one_or_list(q.representation_word(r) for r in o.representation),
    "history": _history,
    "resource_limits": _limits,
    "lifespan": lambda o: _span(o.lifespan_ns),
}
