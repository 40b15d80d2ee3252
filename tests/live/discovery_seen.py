"""What captures of a rehearsal show of discovery: who started when, what every machine sent and got, when
each flow was introduced."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from toprung.model.ladder import Flow
from toprung.model.picture import Side
from toprung.model.site import Site
from toprung.wire.columns import MessageFlag
from toprung.wire.discovery import read_endpoint, read_participant
from toprung.wire.ids import EntityId, Sub
from toprung.wire.scan import Scan

SIDES = {EntityId.PUBLICATIONS_WRITER: Side.WRITER, EntityId.SUBSCRIPTIONS_WRITER: Side.READER}


@dataclass
class Seen:
    """All captures of a run.  Times in seconds since the first announcement.

    passed: machine -> rows (time, outgoing, bytes) of its discovery datagrams.  told: (who was told, side,
    topic, whose) -> when.  said: participant -> times at which it first sent its introductions.
    """

    starts: dict[str, float] = field(default_factory=dict)
    passed: dict[str, np.ndarray] = field(default_factory=dict)
    told: dict[tuple[str, Side, str, str], float] = field(default_factory=dict)
    said: dict[str, dict[tuple[Side, str], float]] = field(default_factory=dict)

    def counted(self, machine: str, begin: float, end: float) -> tuple[float, float, float, float]:
        """Datagrams in and out, bytes in and out."""
        rows = self.passed[machine]
        rows = rows[(rows[:, 0] >= begin) & (rows[:, 0] < end)]
        out = rows[:, 1] > 0
        return float((~out).sum()), float(out.sum()), rows[~out, 2].sum(), rows[out, 2].sum()

    def introduced(self, site: Site) -> dict[Flow, float]:
        """When each flow between two machines was: both sides were told of the other's endpoint."""
        home = {p.name: p.machine for p in site.participants}
        found = {}
        for flow in site.flows():
            if home[flow.writer] == home[flow.reader]:
                continue
            one = self.told.get((flow.reader, Side.WRITER, flow.wire_topic, flow.writer), np.inf)
            other = self.told.get((flow.writer, Side.READER, flow.wire_topic, flow.reader), np.inf)
            found[flow.flow] = max(one, other)
        return found

    def late_s(self, name: str) -> float | None:
        """How long after its start a participant sent its introductions, at the median."""
        times = list(self.said.get(name, {}).values())
        return float(np.median(times)) - self.starts[name] if times else None


class _Reader:
    """Reads one machine's capture into what was seen."""

    def __init__(self, seen: Seen, machine: str, hosts: frozenset[str], names: dict[bytes, str]) -> None:
        self.seen, self.machine, self.hosts, self.names = seen, machine, hosts, names
        self.doors: dict[int, str] = {}
        self.rows: list[tuple[float, bool, int]] = []
        self.starts: dict[bytes, float] = {}

    def read(self, path: Path) -> None:
        """Twice: introductions are delivered by port, and ports are announced."""
        for turn in (0, 1):
            scan = Scan(path.read_bytes())
            for block in scan.blocks():
                scan.tables.grow()
                if turn == 0:
                    self._announcements(block, scan)
                else:
                    self._messages(block, scan)
                    self._introductions(block, scan)

    def _announcements(self, block, scan) -> None:
        rows, messages = block.submessages, block.messages
        for row in np.flatnonzero(
            (rows.kind[: block.n_submessages] == Sub.DATA)
            & (rows.writer[: block.n_submessages] == EntityId.PARTICIPANT_WRITER)
        ):
            said = read_participant(block.payload(row), block.inline_qos(row)).data
            if said is None or not said.name:
                continue
            self.names.setdefault(said.guid.prefix, said.name)
            message = rows.message[row]
            at = int(messages.time_ns[message]) / 1e9
            if scan.tables.prefixes[rows.sender[row]] != said.guid.prefix:
                continue  # a server passes it on
            if scan.tables.addresses[messages.source[message]] in self.hosts:
                self.starts[said.guid.prefix] = min(at, self.starts.get(said.guid.prefix, at))
                for locator in said.metatraffic_unicast:
                    if locator.kind == 1:
                        self.doors.setdefault(locator.port, said.name)

    def _messages(self, block, scan) -> None:
        messages = block.messages
        for row in np.flatnonzero(messages.flags[: block.n_messages] & MessageFlag.DISCOVERY):
            source = scan.tables.addresses[messages.source[row]]
            target = scan.tables.addresses[messages.target[row]]
            out, mine = source in self.hosts, target in self.hosts
            if source.startswith("127.") or (out and mine):
                continue  # never on the wire
            if out or mine or messages.flags[row] & MessageFlag.MULTICAST:
                self.rows.append((int(messages.time_ns[row]) / 1e9, out, int(messages.size[row])))

    def _introductions(self, block, scan) -> None:
        rows, messages = block.submessages, block.messages
        for row in np.flatnonzero(rows.kind[: block.n_submessages] == Sub.DATA):
            side = SIDES.get(int(rows.writer[row]))
            said = side and read_endpoint(block.payload(row), side, block.inline_qos(row)).data
            if not said or not said.topic:
                continue
            message = rows.message[row]
            at, whose = int(messages.time_ns[message]) / 1e9, said.guid.prefix
            own = scan.tables.prefixes[rows.sender[row]] == whose
            if own and scan.tables.addresses[messages.source[message]] in self.hosts:
                times = self.seen.said.setdefault(self.names.get(whose, "?"), {})
                times[side, said.topic] = min(at, times.get((side, said.topic), at))
                continue
            if messages.flags[message] & MessageFlag.MULTICAST:
                told = set(self.doors.values())
            else:
                told = {self.doors.get(int(messages.target_port[message]), "?")}
            for name in told:
                key = name, side, said.topic, self.names.get(whose, "?")
                self.seen.told[key] = min(at, self.seen.told.get(key, at))


def read(captures: Mapping[str, Path], site: Site) -> Seen:
    """Everything that the captures of a run show."""
    seen, names = Seen(), {}
    readers = {machine: _Reader(seen, machine, site.machine(machine).hosts, names) for machine in captures}
    for machine, reader in readers.items():
        for path in (captures[machine],):
            reader.read(path)
    known = {p.name for p in site.participants}
    starts = {names[prefix]: at for reader in readers.values() for prefix, at in reader.starts.items()}
    zero = min(at for name, at in starts.items() if name in known)
    seen.starts = {name: at - zero for name, at in starts.items() if name in known}
    for machine, reader in readers.items():
        rows = np.array(reader.rows, "f8").reshape(-1, 3)
        rows[:, 0] -= zero
        seen.passed[machine] = rows
    seen.told = {key: at - zero for key, at in seen.told.items()}
    seen.said = {name: {key: at - zero for key, at in times.items()} for name, times in seen.said.items()}
    return seen
