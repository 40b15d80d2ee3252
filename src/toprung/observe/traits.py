"""Endpoints known by their traffic only: which declared topics would they fit?

A capture begun after discovery shows samples without names.  Their rate, size, delivery talk and
destinations are compared with what the site declares; an answer counts only where it is clearly best.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import log

import numpy as np

from toprung.model.picture import Dialogue, Endpoint, Guid, Picture, Samples, Side
from toprung.model.qos import Reliability
from toprung.model.site import DeclaredFlow, Site
from toprung.observe.assigning import Matrix, assign
from toprung.observe.cast import Role
from toprung.observe.places import Places

CDR_HEADER_BYTES = 4
RATE_FITS, RATE_DIFFERS = 1.25, 1.6  # ratio up to which two rates are alike, and from which they differ
SIZE_FITS, SIZE_DIFFERS = 1.15, 1.5
TALK_FITS, TALK_DIFFERS = 0.5, -2.0
FITS, DIFFERS = 2.0, -3.0
TOWARDS, ASTRAY = 1.0, -2.0  # destination machines are those of the topic's readers, or others
ENOUGH, CLEARLY = 2.0, 1.5  # least score, and least lead over any other topic


@dataclass(frozen=True, slots=True)
class Declared:
    """One topic of one declared writer."""

    wire_topic: str
    rate_hz: float | None
    size_bytes: int | None
    reliable: bool | None  # None: not declared
    machines: frozenset[str]  # of its readers


@dataclass(frozen=True)
class Hint:
    """Site and picture, indexed for questions about endpoints without names."""

    site: Site | None
    picture: Picture
    places: Places
    _fits: dict[tuple[Guid, str, str], float] = field(default_factory=dict)

    @cached_property
    def flows(self) -> tuple[DeclaredFlow, ...]:
        return self.site.flows() if self.site else ()

    @cached_property
    def declared(self) -> dict[str, list[Declared]]:
        """Topics by declared writer."""
        machine = {p.name: p.machine for p in self.site.participants} if self.site else {}
        grouped: dict[tuple[str, str], list[DeclaredFlow]] = defaultdict(list)
        for flow in self.flows:
            grouped[flow.writer, flow.wire_topic].append(flow)
        found: dict[str, list[Declared]] = defaultdict(list)
        for (writer, topic), flows in grouped.items():
            stated = flows[0].offered
            found[writer].append(
                Declared(
                    topic,
                    flows[0].rate_hz,
                    flows[0].size_bytes,
                    stated.qos.reliability is Reliability.RELIABLE
                    if "reliability" in stated.policies
                    else None,
                    frozenset(machine[f.reader] for f in flows),
                )
            )
        return found

    @cached_property
    def nameless(self) -> dict[int, list[Endpoint]]:
        """Writers known by traffic only, by participant."""
        found: dict[int, list[Endpoint]] = defaultdict(list)
        for endpoint in self.picture.endpoints:
            if endpoint.topic is None and endpoint.removed is None and endpoint.side is Side.WRITER:
                found[endpoint.participant].append(endpoint)
        return found

    @cached_property
    def samples(self) -> dict[Guid, list[Samples]]:
        found: dict[Guid, list[Samples]] = defaultdict(list)
        for samples in self.picture.samples:
            found[samples.writer].append(samples)
        return found

    @cached_property
    def dialogues(self) -> dict[Guid, list[Dialogue]]:
        found: dict[Guid, list[Dialogue]] = defaultdict(list)
        for dialogue in self.picture.dialogues:
            found[dialogue.writer].append(dialogue)
        return found


def traffic_fit(hint: Hint, name: str, lives: Sequence[int]) -> float:
    """How well a participant's nameless writers fit the topics that `name` writes; 0: nothing to tell."""
    writers = [w for life in lives for w in hint.nameless.get(life, ())]
    topics = hint.declared.get(name, [])
    if not writers:
        return 0.0
    scores = _scores(hint, writers, topics)
    matched = sum(scores[r, c] for r, c in assign(scores).items())
    return float(matched) - max(0, len(writers) - len(topics))


def _scores(hint: Hint, writers: Sequence[Endpoint], topics: Sequence[Declared]) -> Matrix:
    return np.array([[fit(hint, w.guid, t) for t in topics] for w in writers]).reshape(
        len(writers), len(topics)
    )


def fit(hint: Hint, writer: Guid, topic: Declared) -> float:
    """How well a writer's traffic fits a topic; 0: nothing to tell."""
    samples, dialogues = hint.samples.get(writer, []), hint.dialogues.get(writer, [])
    score = 0.0
    if samples:
        best = max(samples, key=lambda s: s.whole)
        if best.rate_hz and topic.rate_hz:
            score += _ratio(best.rate_hz, topic.rate_hz, RATE_FITS, RATE_DIFFERS)
        if topic.size_bytes:
            size = max(1, best.payload_bytes - CDR_HEADER_BYTES)
            score += _ratio(size, topic.size_bytes, SIZE_FITS, SIZE_DIFFERS)
    if topic.reliable is not None and (dialogues or samples):
        score += TALK_FITS if bool(dialogues) is topic.reliable else TALK_DIFFERS
    towards = _machines(hint, samples, dialogues)
    if towards and topic.machines:
        score += TOWARDS if towards <= topic.machines else ASTRAY
    return score


def _ratio(seen: float, declared: float, fits: float, differs: float) -> float:
    apart = abs(log(seen / declared))
    if apart <= log(fits):
        return FITS
    return DIFFERS if apart >= log(differs) else 0.0


def _machines(hint: Hint, samples: Iterable[Samples], dialogues: Iterable[Dialogue]) -> set[str]:
    """Machines that a writer's samples go to, or that answer it."""
    hosts = hint.places.hosts
    found = {hosts[s.destination] for s in samples if s.destination in hosts}
    prefixes = {d.reader.prefix for d in dialogues if d.acknacks is not None}
    for participant in hint.picture.participants:
        if participant.prefix in prefixes and (machine := hint.places.of(participant)) is not None:
            found.add(machine)
    return found


def unnamed_topics(hint: Hint, roles: Iterable[Role]) -> dict[Guid, str]:
    """Wire topics of writers without names that clearly fit one, and of the readers that answer these."""
    topics: dict[Guid, str] = {}
    for role in roles:
        if role.certain:
            topics |= _writers(hint, role)
    readers = {
        d.reader: topics[d.writer]
        for d in hint.picture.dialogues
        if d.writer in topics and d.acknacks is not None and d.reader.entity
    }
    return topics | readers


def _writers(hint: Hint, role: Role) -> dict[Guid, str]:
    writers = [w for life in role.lives for w in hint.nameless.get(life, ())]
    declared = hint.declared.get(role.name, [])
    scores = _scores(hint, writers, declared)
    return {
        writers[r].guid: declared[c].wire_topic
        for r, c in assign(scores).items()
        if scores[r, c] >= ENOUGH and scores[r, c] - _rival(scores, r, c) >= CLEARLY
    }


def _rival(scores: Matrix, row: int, column: int) -> float:
    """The best score that this writer has with another topic, or this topic with another writer."""
    others = np.concatenate((np.delete(scores[row], column), np.delete(scores[:, column], row)))
    return float(others.max(initial=-np.inf))
