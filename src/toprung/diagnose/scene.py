"""The scene: declared flows beside what was seen of their two ends, indexed for the rungs' questions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeVar, cast

from toprung.model.finding import Evidence
from toprung.model.ladder import Flow
from toprung.model.picture import (
    Crossing,
    Dialogue,
    Endpoint,
    Mark,
    Participant,
    Picture,
    Samples,
    Side,
    Stream,
    View,
)
from toprung.model.probe import ProbeResults, Served
from toprung.model.site import DeclaredFlow, Site
from toprung.observe.cast import Cast

T = TypeVar("T")
K = TypeVar("K")
V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class End:
    """One end of a flow: a declared participant and its lives (GUID prefixes), oldest first."""

    name: str
    machine: str
    side: Side
    lives: tuple[int, ...]  # indices in Picture.participants

    @property
    def seen(self) -> bool:
        return bool(self.lives)


@dataclass(frozen=True, slots=True)
class Case:
    """One declared flow and its two ends."""

    declared: DeclaredFlow
    writer: End
    reader: End

    @property
    def flow(self) -> Flow:
        return self.declared.flow

    @property
    def ends(self) -> tuple[End, End]:
        return self.writer, self.reader

    def other(self, end: End) -> End:
        """The end across from this one."""
        return self.reader if end is self.writer else self.writer

    @property
    def one_machine(self) -> bool:
        return self.writer.machine == self.reader.machine

    @property
    def machines(self) -> tuple[str, str]:
        """The two machines in alphabetical order: a path's name does not depend on who writes."""
        one, other = sorted((self.writer.machine, self.reader.machine))
        return one, other


@dataclass(frozen=True)
class Scene:
    """Site, picture and cast, with the look-ups that the rungs share."""

    site: Site
    picture: Picture
    cast: Cast
    probes: tuple[ProbeResults | Served, ...] = ()
    _answers: dict[Hashable, object] = field(default_factory=dict)

    @cached_property
    def cases(self) -> tuple[Case, ...]:
        return tuple(self._cases())

    def _cases(self) -> Iterator[Case]:
        for declared in self.site.flows():
            yield Case(
                declared,
                self._end(declared.writer, Side.WRITER),
                self._end(declared.reader, Side.READER),
            )

    def _end(self, name: str, side: Side) -> End:
        return End(name, self.site.participant(name).machine, side, self.cast.lives_of(name))

    # who stands where

    def participant(self, index: int) -> Participant:
        return self.picture.participants[index]

    @cached_property
    def index_of(self) -> dict[bytes, int]:
        return {p.prefix: i for i, p in enumerate(self.picture.participants)}

    @cached_property
    def machine_of(self) -> dict[int, str]:
        """Participant index -> machine, where it is known."""
        known = ((i, self.cast.machine_of(i)) for i in range(len(self.picture.participants)))
        return {i: machine for i, machine in known if machine is not None}

    def views_at(self, machine: str) -> frozenset[int]:
        """The captures taken on that machine."""
        return frozenset(i for i, v in enumerate(self.picture.views) if self.cast.view_machine(i) == machine)

    def hosts(self, machine: str) -> frozenset[str]:
        """Addresses that the machine declares, or was seen to send from."""
        return self.cast.hosts_of(machine)

    def population(self, machine: str) -> frozenset[int]:
        """Participants seen on that machine, declared or not."""
        return frozenset(i for i, m in self.machine_of.items() if m == machine)

    def homes(self, index: int) -> frozenset[str]:
        """Machines from whose addresses a participant was seen to send: more than one is one too many."""
        sources = {s.source for s in self.streams_of((index,))}
        return frozenset(m.name for m in self.site.machines if m.hosts & sources)

    # what they sent

    @cached_property
    def _streams(self) -> dict[int, list[Stream]]:
        return _grouped(self.picture.streams, lambda s: s.participant)

    def streams_of(self, participants: Iterable[int]) -> Iterator[Stream]:
        return (stream for p in participants for stream in self._streams.get(p, ()))

    @cached_property
    def _dialogues(self) -> dict[tuple[bytes, bytes], list[Dialogue]]:
        return _grouped(self.picture.dialogues, lambda d: (d.writer.prefix, d.reader.prefix))

    def dialogues(self, writers: Iterable[int], readers: Iterable[int]) -> Iterator[Dialogue]:
        """Delivery talk about writers of the first participants with the second ones."""
        second = tuple(readers)
        for w in writers:
            for r in second:
                key = (self.participant(w).prefix, self.participant(r).prefix)
                yield from self._dialogues.get(key, ())

    @cached_property
    def _samples(self) -> dict[bytes, list[Samples]]:
        return _grouped(self.picture.samples, lambda s: s.writer.prefix)

    def samples_of(self, endpoint: Endpoint) -> tuple[Samples, ...]:
        """What each view has of one writer's samples."""
        return tuple(s for s in self._samples.get(endpoint.guid.prefix, ()) if s.writer == endpoint.guid)

    def samples_from(self, participants: Iterable[int]) -> Iterator[Samples]:
        """What each view has of all samples of these participants."""
        return (s for p in participants for s in self._samples.get(self.participant(p).prefix, ()))

    @cached_property
    def _endpoints(self) -> dict[int, list[Endpoint]]:
        return _grouped(self.picture.endpoints, lambda e: e.participant)

    def endpoints_of(self, participants: Iterable[int], side: Side | None = None) -> tuple[Endpoint, ...]:
        """Endpoints of these participants, of one side or of both."""
        return tuple(
            e for p in participants for e in self._endpoints.get(p, ()) if side is None or e.side is side
        )

    def ends_on_topic(self, end: End, case: Case) -> tuple[Endpoint, ...]:
        """The end's writers (or readers) that bear the flow's very topic name, oldest first."""
        return tuple(
            e
            for e in self.endpoints_of(end.lives, end.side)
            if self.cast.topic_of(e) == case.declared.wire_topic
        )

    def crossings(self, sender: str, receiver: str) -> tuple[Crossing, ...]:
        """Datagrams of one machine looked for on the other."""
        out, into = self.views_at(sender), self.views_at(receiver)
        return tuple(c for c in self.picture.crossings if c.sender in out and c.receiver in into)

    def last_sign_ns(self, participants: Iterable[int], view: int) -> int | None:
        """When these participants were last heard in one view, by that view's clock."""
        tallies = (
            t for s in self.streams_of(participants) if s.view == view for t in (s.discovery, s.data) if t
        )
        return max((t.last.time_ns for t in tallies), default=None)

    def wire_topics_of(self, name: str) -> frozenset[str]:
        """The topics that the site declares for a participant, as the wire should show them."""
        return self._wire_topics.get(name, frozenset())

    @cached_property
    def _wire_topics(self) -> dict[str, frozenset[str]]:
        ends = ((end.name, case.declared.wire_topic) for case in self.cases for end in case.ends)
        return {
            name: frozenset(t for _, t in pairs) for name, pairs in _grouped(ends, lambda e: e[0]).items()
        }

    # how to point at a packet

    def first_mark(self, view: View) -> Mark:
        """The first packet of a capture."""
        return Mark(view.first_ns, self.picture.views.index(view), 1)

    def evidence(self, mark: Mark, says: str) -> Evidence:
        view = self.picture.views[mark.view]
        return Evidence(view.label, mark.packet, round((mark.time_ns - view.first_ns) / 1e9, 6), says)

    def once(self, key: Hashable, make: Callable[[], T]) -> T:
        """The answer to a question that many flows ask, worked out at the first asking."""
        if key not in self._answers:
            self._answers[key] = make()
        return cast("T", self._answers[key])


def _grouped(items: Iterable[V], key: Callable[[V], K]) -> dict[K, list[V]]:
    groups: dict[K, list[V]] = defaultdict(list)
    for item in items:
        groups[key(item)].append(item)
    return groups
