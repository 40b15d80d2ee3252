"""The sites of `data_check`: small networks that differ in what decides how samples travel."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass

from toprung.model.site import Site
from toprung.model.site_file import load_site

LIBRARIES = ("cyclone", "fast")
ETHERNET = {"kind": "ethernet", "rate": "1 Gbit/s"}
AIR = {
    "kind": "wifi",
    "standard": "ac",
    "rate": "65 Mbit/s",
    "multicast_rate": "6 Mbit/s",
    "access_point": True,
}
BEST, RELIABLE = {"reliability": "best_effort"}, {"reliability": "reliable"}


@dataclass(frozen=True)
class Case:
    """A site, and in words what it tries."""

    name: str
    library: str
    says: str
    site: Site


def site(machines: dict, links: dict, participants: dict, topics: dict) -> Site:
    """machines: name -> the nets (letters) it is on; participants: name -> machine, or (machine, library)."""
    nets = sorted({net for on in machines.values() for net in on})
    hosts = {name: number for number, name in enumerate(machines, start=11)}
    tree = {
        "site": "network",
        "domain": 3,
        "machines": {
            name: {"interfaces": {f"eth{n}": f"10.77.{nets.index(n) + 3}.{hosts[name]}/24" for n in on}}
            for name, on in machines.items()
        },
        "links": {
            f"net{n}": {
                **links.get(n, ETHERNET),
                "joins": [f"{m}.eth{n}" for m, on in machines.items() if n in on],
            }
            for n in nets
        },
        "participants": {
            name: dict(zip(("machine", "middleware"), told, strict=True))
            for name, told in participants.items()
        },
        "topics": topics,
    }
    return load_site(json.dumps(tree))


def topic(size: int, rate: float, readers: list[str], qos: dict, writer: str = "talker") -> dict:
    return {
        "type": "plant::Sample",
        "size": f"{size} B",
        "rate": f"{rate} Hz",
        "from": writer,
        "to": readers,
        "qos": qos,
    }


def pair(library: str, topics: dict[str, tuple[int, float, dict]], link: dict | None = None) -> Site:
    """One writer's machine and one reader's, on one link."""
    return site(
        {"sender": "a", "hearer": "a"},
        {"a": link or ETHERNET},
        {"talker": ("sender", library), "listener": ("hearer", library)},
        {name: topic(size, rate, ["listener"], qos) for name, (size, rate, qos) in topics.items()},
    )


def crowd(
    library: str, machines: dict, readers: dict[str, str], topics: dict, links: dict | None = None
) -> Site:
    """One writer on the first machine, readers by name on machines."""
    return site(
        machines,
        links or {},
        {"talker": (next(iter(machines)), library)} | {name: (at, library) for name, at in readers.items()},
        {name: topic(size, rate, list(readers), qos) for name, (size, rate, qos) in topics.items()},
    )


def sizes_of(qos: dict) -> dict[str, dict[str, tuple[int, float, dict]]]:
    return {
        "48 B at 50 Hz": {"drive": (48, 50, qos)},
        "720 B at 20 Hz": {"odom": (720, 20, qos)},
        "2,880 B at 10 Hz": {"scan": (2880, 10, qos)},
        "14,000 B at 10 Hz": {"chart": (14_000, 10, qos)},
        "60,000 B at 5 Hz": {"picture": (60_000, 5, qos)},
        "120,000 B at 2 Hz": {"image": (120_000, 2, qos)},
        "1,000,000 B at 0.5 Hz": {"map": (1_000_000, 0.5, qos)},
    }


def cases() -> Iterator[Case]:
    for library in LIBRARIES:
        for words, qos in (("best effort", BEST), ("reliable", RELIABLE)):
            for size, topics in sizes_of(qos).items():
                yield Case("pair", library, f"{size}, {words}", pair(library, topics))
        yield from reliable_cases(library)
        yield from reader_cases(library)
    yield from mixed_cases()


def reliable_cases(library: str) -> Iterator[Case]:
    """What decides on heartbeats and answers, and what loss adds."""
    newest = RELIABLE | {"history": {"kind": "keep_last", "depth": 1}}
    kept = RELIABLE | {"durability": "transient_local"}
    yield Case("upkeep", library, "100 B at 20 Hz, keeps 1", pair(library, {"one": (100, 20, newest)}))
    yield Case("upkeep", library, "100 B at 5 Hz, transient local", pair(library, {"one": (100, 5, kept)}))
    slow = ETHERNET | {"rate": "100 Mbit/s"}
    great = {"picture": (300_000, 1, RELIABLE)}
    yield Case("slow", library, "300,000 B at 1 Hz, reliable, 100 Mbit/s", pair(library, great, slow))
    for share in ("1 %", "5 %"):
        lossy = ETHERNET | {"loss": share}
        topics = {"odom": (720, 20, RELIABLE), "scan": (2880, 10, RELIABLE)}
        yield Case(
            "loss",
            library,
            f"720 B at 20 Hz and 2,880 B at 10 Hz, loss {share}",
            pair(library, topics, lossy),
        )


def reader_cases(library: str) -> Iterator[Case]:
    """How several readers, several links and an access point are served."""
    two = {"odom": (720, 20, RELIABLE), "scan": (2880, 5, BEST)}
    three = {"near": "hearer1", "far": "hearer2", "last": "hearer3"}
    yield Case(
        "readers",
        library,
        "three readers on three machines",
        crowd(library, {"sender": "a", "hearer1": "a", "hearer2": "a", "hearer3": "a"}, three, two),
    )
    yield Case(
        "readers",
        library,
        "two readers on one machine",
        crowd(library, {"sender": "a", "hearer": "a"}, {"near": "hearer", "far": "hearer"}, two),
    )
    yield Case(
        "readers",
        library,
        "one reader beside the writer, one away",
        crowd(library, {"sender": "a", "hearer": "a"}, {"near": "sender", "far": "hearer"}, two),
    )
    yield Case(
        "readers",
        library,
        "a reader on each of the writer's two links",
        crowd(
            library,
            {"sender": "ab", "hearer1": "a", "hearer2": "b"},
            {"near": "hearer1", "far": "hearer2"},
            two,
        ),
    )
    yield Case(
        "readers",
        library,
        "two machines on two links",
        crowd(library, {"sender": "ab", "hearer": "ab"}, {"near": "hearer"}, two),
    )
    yield Case(
        "readers",
        library,
        "three readers over an access point",
        crowd(
            library, {"sender": "a", "hearer1": "a", "hearer2": "a", "hearer3": "a"}, three, two, {"a": AIR}
        ),
    )


def mixed_cases() -> Iterator[Case]:
    """Both libraries on one network."""
    plain = {"data_representation": ["xcdr1"]}
    for writer, readers in (("cyclone", ("cyclone", "fast")), ("fast", ("cyclone", "cyclone"))):
        told = {"talker": ("sender", writer), "near": ("hearer1", readers[0]), "far": ("hearer2", readers[1])}
        yield Case(
            "mixed",
            writer,
            f"to a {readers[0]} and a {readers[1]} reader",
            site(
                {"sender": "a", "hearer1": "a", "hearer2": "a"},
                {},
                told,
                {"odom": topic(720, 20, ["near", "far"], RELIABLE | plain)},
            ),
        )
