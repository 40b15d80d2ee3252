"""Measures the data phase of a library's profile (`toprung.forecast.profile.DataPhase`) from real traffic.

    python tests/live/data_profile.py cyclone|fast          prints the `data:` section of its file

Each number is read off messages between rehearsed machines: sizes from samples below and above the limits,
heartbeats and answers from writers at many rates, copies from one reader and from two.  About three minutes.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import yaml
from data_sites import BEST, ETHERNET, RELIABLE, crowd, pair, site, topic
from datagrams import ACKNACK, DATA, DATA_FRAG, HEARTBEAT, HEARTBEAT_FRAG, Datagram, datagrams

from toprung.model.site import Site
from toprung.rehearse.plan import plan_of
from toprung.rehearse.run import Rehearsal

SETTLED_S = 6.0
WRITTEN, ASKED = "10.77.3.11", "10.77.3.12"  # the writer's machine and the reader's
LONG = RELIABLE | {"history": {"kind": "keep_last", "depth": 1000}}
NEWEST = RELIABLE | {"history": {"kind": "keep_last", "depth": 1}}


@dataclass
class Writer:
    """What one writer's stream looked like: messages by sample, heartbeats alone, answers to them."""

    samples: dict[int, list[Datagram]] = field(default_factory=lambda: defaultdict(list))
    alone: list[Datagram] = field(default_factory=list)
    answers: list[Datagram] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def whole(self) -> list[list[Datagram]]:
        """Samples whose neighbours were seen, too: none is cut by the ends of the window."""
        return [self.samples[n] for n in sorted(self.samples)][1:-1]

    @property
    def typical(self) -> list[Datagram]:
        """The messages of a sample without heartbeats, if there is one."""
        return min(self.whole, key=lambda messages: sum(m.payload for m in messages))

    def carried(self) -> float:
        """Share of the samples with a heartbeat in them."""
        return sum(any(p.kind == HEARTBEAT for m in s for p in m.parts) for s in self.whole) / len(self.whole)


def watch(whole: Site, seconds: float) -> list[Writer]:
    """Runs a site with one writing participant; its writers in the order of the site's topics."""
    with Rehearsal(plan_of(whole, seconds=SETTLED_S + seconds + 0.3)) as rehearsal:
        rehearsal.wait()
        captured = datagrams(rehearsal.captures()["sender"])
    begun = min(d.time_s for d in captured) + SETTLED_S
    found: dict[int, Writer] = defaultdict(lambda: Writer(seconds=seconds))
    for one in captured:
        if one.user and begun <= one.time_s < begun + seconds:
            sort(one, found)
    return [found[entity] for entity in sorted(found)]


def sort(one: Datagram, found: dict[int, Writer]) -> None:
    for part in one.parts:
        if not part.writer or part.writer & 0xC0:
            continue
        writer = found[part.writer]
        data = [p.sequence for p in one.parts if p.kind in (DATA, DATA_FRAG)]
        if part.kind in (DATA, DATA_FRAG) and one not in writer.samples[part.sequence]:
            writer.samples[part.sequence].append(one)
        elif part.kind == HEARTBEAT and not data:
            writer.alone.append(one)
        elif part.kind == ACKNACK:
            writer.answers.append(one)


def sizes(library: str) -> dict[str, int]:
    """What is around a sample, whole and in fragments, without and with heartbeats."""
    told = {"small": (100, 5, BEST), "great": (400_000, 1, BEST)}
    small, great = watch(pair(library, told), 8)
    first, second = great.typical[0], great.typical[1]
    part = next(p for p in first.parts if p.kind == DATA_FRAG)
    held = part.fragments * part.fragment_bytes
    _, reliable = watch(pair(library, {n: (s, r, RELIABLE) for n, (s, r, _) in told.items()}), 8)
    (many,) = watch(
        crowd(
            library, {"sender": "a", "h1": "a", "h2": "a"}, {"r": "h1", "q": "h2"}, {"one": (100, 5, BEST)}
        ),
        5,
    )
    between = [p.length for m in reliable.typical[:-1] for p in m.parts if p.kind == HEARTBEAT_FRAG]
    return {
        "fragment_bytes": part.fragment_bytes,
        "fragments_per_message": part.fragments,
        "message_bytes": greatest_message(library, held, reliable),
        "header_bytes": small.typical[0].payload - 100,
        "header_to_many_bytes": many.typical[0].payload - 100,
        "fragment_header_bytes": first.payload - held,
        "fragment_header_next_bytes": second.payload - held,
        "heartbeat_frag_bytes": max(between, default=0),
    }


def greatest_message(library: str, held: int, reliable: Writer) -> int:
    """The greatest message, over samples just greater than what one DATA_FRAG holds: the last that stays one
    message, to within 100 bytes, then exactly."""
    if held > 60_000:  # a second fragment does not fit beside such a first
        return max(m.payload for s in reliable.whole for m in s)
    low = step = 100
    for step in (100, 16, 4):
        sizes = [held + low + step * n for n in range(12)]
        seen = watch(pair(library, {f"size{n}": (n, 2, BEST) for n in sizes}), 5)
        one = [size for size, w in zip(sizes, seen, strict=True) if len(w.typical) == 1]
        low = max(one) - held
    return max(m.payload for w in seen for s in w.whole for m in s)


def repairs(library: str) -> dict[str, object]:
    """Whether a lost sample that would go whole is repeated in fragments."""
    lossy = ETHERNET | {"loss": "5 %"}
    (writer,) = watch(pair(library, {"one": (3000, 10, RELIABLE)}, lossy), 12)
    cut = any(p.kind == DATA_FRAG for s in writer.samples.values() for m in s for p in m.parts)
    return {"repairs_by_fragment": cut}


def copies(library: str) -> dict[str, object]:
    """Datagrams of a sample to two readers of the library, to so many that announce multicast, and to one
    participant with two addresses."""
    told = {"one": (100, 20, BEST)}
    (two,) = watch(crowd(library, {"sender": "a", "h": "a"}, {"r": "h", "q": "h"}, told), 4)
    (homes,) = watch(crowd(library, {"sender": "ab", "h": "ab"}, {"r": "h"}, told), 4)
    readers = ("r", "q", "p")
    plain = BEST | {"data_representation": ["xcdr1"]}
    for count in range(1, len(readers) + 1):
        people = {"talker": ("sender", library)} | {r: (f"h{r}", "cyclone") for r in readers[:count]}
        machines = {"sender": "a"} | {f"h{r}": "a" for r in readers[:count]}
        topics = {"one": topic(100, 20, list(readers[:count]), plain)}
        (many,) = watch(site(machines, {}, people, topics), 4)
        if many.typical[0].multicast:
            break
    return {
        "announces_multicast": two.typical[0].multicast,
        "multicast_from": count,
        "every_address": len(homes.typical) > 1,
    }


def upkeep(library: str) -> dict[str, object]:
    """Heartbeats and answers of one reader."""
    rates = (1, 2, 5, 8, 10, 11, 12, 13, 14, 15, 20, 50)
    seen = watch(pair(library, {f"rate{r}": (100, r, RELIABLE) for r in rates}), 12)
    always = all(w.carried() == 1.0 for w in seen)
    rare = [r for r, w in zip(rates, seen, strict=True) if len(w.answers) > 0.9 * len(w.samples)]
    alone = sum(len(w.alone) for w in seen) / sum(w.seconds for w in seen)
    carrying = next(m for w in seen for s in w.whole for m in s if any(p.kind == HEARTBEAT for p in m.parts))
    heartbeat = next(p.length for p in carrying.parts if p.kind == HEARTBEAT)
    lone = [d.payload for w in seen for d in w.alone]
    return {
        "heartbeat_bytes": heartbeat,
        "heartbeat_message_bytes": max(lone, default=20 + 16 + heartbeat),
        "acknack_message_bytes": min(d.payload for w in seen for d in w.answers),
        "heartbeat_always": always,
        "answered_after_s": round(1 / max(rare), 2) if always else None,
        "heartbeat_period_s": round(1 / alone, 1) if alone > 0.1 else None,
        "heartbeat_after_bytes": None if always else after_bytes(library),
        "answer_delay_s": 0.0 if always else answer_delay(library),
    }


def after_bytes(library: str) -> int:
    """Bytes of messages from one heartbeat to the next of writers that keep much: more than were sent without
    one, at most those that were sent with one; half of Linux's default socket buffer is between."""
    told = {f"size{n}": (n, 50, LONG) for n in (3000, 5000, 10_000, 12_000)}
    low, high = 0, 1 << 30
    for writer in watch(pair(library, told), 12):
        alone = {id(m) for m in writer.alone}
        sent, known = 0, False  # known: since the last heartbeat
        for message in sorted((*(s[0] for s in writer.whole), *writer.alone), key=lambda m: m.time_s):
            sent += message.payload * (id(message) not in alone)
            if any(p.kind == HEARTBEAT for p in message.parts):
                if known and id(message) not in alone:
                    high = min(high, sent)
                sent, known = 0, True
            elif known:
                low = max(low, sent)
    half = 212_992 // 2  # net.core.wmem_default
    return half if low <= half <= high else (low + high) // 2


def answer_delay(library: str) -> float:
    """From a heartbeat that must be answered to the answer."""
    (writer,) = watch(pair(library, {"one": (100, 5, NEWEST)}), 8)
    asked = sorted(m.time_s for s in writer.whole for m in s)
    waits = [min((a.time_s - t for t in asked if t < a.time_s), default=1.0) for a in writer.answers]
    return int(1000 * min(waits)) / 1000  # the link's own delay comes on top


def main() -> None:
    library = sys.argv[1]
    found = sizes(library) | copies(library) | upkeep(library) | repairs(library)
    sys.stdout.write(yaml.safe_dump({"data": found}, sort_keys=False))


if __name__ == "__main__":
    main()
