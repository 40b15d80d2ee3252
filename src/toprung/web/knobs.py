"""The knobs of the what-if view: what can be turned in a site, and the changes that a turn means."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from toprung.model.site import LinkKind, Role, Site, Topic
from toprung.model.site_changes import EVERY, Change

SERVER_PORT = 11811
WIFI_RATES = (
    "6 Mbit/s",
    "12 Mbit/s",
    "24 Mbit/s",
    "54 Mbit/s",
    "65 Mbit/s",
    "130 Mbit/s",
    "433 Mbit/s",
    "867 Mbit/s",
)
SLOW_RATES = ("1 Mbit/s", "2 Mbit/s", "6 Mbit/s", "12 Mbit/s", "24 Mbit/s")
LOSSES = ("0 %", "0.5 %", "1 %", "2 %", "5 %", "10 %", "20 %")
COPIES = ("1", "2", "3", "4", "6", "8", "12", "16", "24")
AS_WRITTEN = ""


@dataclass(frozen=True, slots=True)
class Knob:
    """A thing to turn: its words, its positions besides "as written", and what the file says now."""

    key: str
    label: str
    positions: tuple[str, ...]
    now: str = ""


def knobs_of(site: Site, topic: str = "") -> tuple[Knob, ...]:
    """All knobs of a site; those of a topic for the one that is chosen."""
    return (*_discovery(site), *_fleets(site), *_air(site), *_speeds(site), *_topic(site, topic))


def changes_of(site: Site, turned: Mapping[str, str]) -> tuple[Change, ...]:
    """What the turned knobs change in the site file; unknown keys and positions change nothing."""
    known = {knob.key: knob for knob in knobs_of(site, turned.get("topic", ""))}
    made: list[Change] = []
    for key, position in turned.items():
        if key in known and position in known[key].positions:
            made += _changes(site, key, position)
    return tuple(made)


def _changes(site: Site, key: str, position: str) -> Iterator[Change]:
    if key == "discovery":
        yield Change(("participants", EVERY, "discovery"), _mode(site, position))
        return
    section, name, field = key.split(":", 2)
    value: Any = int(position) if field == "copies" else position
    yield Change((section, _written(site, section, name), *field.split(".")), value)


def _written(site: Site, section: str, name: str) -> str:
    """Entries of a fleet are written once, under a name with {n}: every entry is meant then."""
    if section == "fleets":
        return name
    copies = max((len(fleet.copies) for fleet in site.fleets), default=1)
    return EVERY if copies > 1 and section in ("links", "topics") else name


def _mode(site: Site, position: str) -> Any:
    hosts = [str(a.ip) for m in site.machines for i in m.interfaces for a in i.addresses]
    if position == "peers list":
        return {"peers": hosts}
    if position == "central server":
        return {"server": f"{_server(site)}:{SERVER_PORT}"}
    return "multicast"


def _server(site: Site) -> str:
    """An address of the machine that a server would stand on: no base's small controller, and of the others
    the one that most links join.
    """
    at = max(
        (m for m in site.machines if m.hosts),
        key=lambda m: (
            m.role is not Role.BASE,
            m.role is Role.STATION,
            sum(1 for _ in site.links_of(m.name)),
        ),
    )
    return next(str(a.ip) for i in at.interfaces for a in i.addresses)


def _discovery(site: Site) -> Iterator[Knob]:
    if any(m.hosts for m in site.machines):
        yield Knob(
            "discovery", "discovery of all participants", ("multicast", "peers list", "central server")
        )


def _fleets(site: Site) -> Iterator[Knob]:
    for fleet in site.fleets:
        yield Knob(f"fleets:{fleet.name}:copies", f"robots of {fleet.name}", COPIES, str(len(fleet.copies)))


def _air(site: Site) -> Iterator[Knob]:
    for link in site.links:
        if link.kind is LinkKind.WIFI:
            yield Knob(f"links:{link.name}:rate", f"{link.name}: rate", WIFI_RATES, _bits(link.rate_bps))
            slow = _bits(link.multicast_rate_bps)
            yield Knob(f"links:{link.name}:multicast_rate", f"{link.name}: multicast rate", SLOW_RATES, slow)
        now = "" if link.loss is None else f"{100 * link.loss:.3g} %"
        yield Knob(f"links:{link.name}:loss", f"{link.name}: loss", LOSSES, now)


def _speeds(site: Site) -> Iterator[Knob]:
    for vehicle in site.vehicles:
        top = vehicle.top_speed_m_per_s
        positions = tuple(f"{v / 10:.1f} m/s" for v in (1, 2, 3, 5, 7, 10, 13, 16, 20))
        now = "" if top is None else f"{top:.3g} m/s"
        yield Knob(f"vehicles:{vehicle.name}:top_speed", f"{vehicle.name}: top speed", positions, now)


def _topic(site: Site, name: str) -> Iterator[Knob]:
    topic = next((t for t in site.topics if t.name == name), None)
    if topic is None:
        return
    reliability = ("reliable", "best_effort")
    yield Knob(f"topics:{name}:qos.reliability", f"{name}: reliability, both sides", reliability)
    rates = tuple(f"{hz} Hz" for hz in (1, 2, 5, 10, 15, 20, 30, 50, 100))
    now = "" if topic.rate_hz is None else f"{topic.rate_hz:.3g} Hz"
    yield Knob(f"topics:{name}:rate", f"{name}: rate", rates, now)
    yield Knob(f"topics:{name}:size", f"{name}: size", _SIZES, _size(topic))


_SIZES = ("48 B", "720 B", "2880 B", "12 kB", "40 kB", "200 kB", "900 kB")


def _size(topic: Topic) -> str:
    return "" if topic.size_bytes is None else f"{topic.size_bytes} B"


def _bits(rate: float | None) -> str:
    return "" if rate is None else f"{rate / 1e6:.4g} Mbit/s"
