"""Measures a library's discovery (`toprung.forecast.profile.Rules`, `Parameters`) from real traffic.

    python tests/live/discovery_profile.py cyclone|fast          prints what was measured, as its file has it
    python tests/live/discovery_profile.py cyclone|fast --check  and what the file has otherwise

Three participants on three machines, two seconds apart, then the same with lists of peers: announcements
alone, on meeting one, on meeting two.  Read off by hand, since one run does not show them: rest_s, patience,
probing, split, spending_bytes, echoes, digest_s, deaf_s, resend_bytes (see the captures that
`tests/live/discovery_check.py --keep` leaves) and the central server's shares.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from toprung.forecast.announcing import WRITERS
from toprung.forecast.profile import profile_of
from toprung.model.picture import Side
from toprung.model.site import Middleware, Site
from toprung.model.site_file import load_site
from toprung.rehearse.plan import plan_of
from toprung.rehearse.run import Rehearsal
from toprung.wire.announcements import EndpointData, ParticipantData
from toprung.wire.discovery import read_endpoint, read_participant
from toprung.wire.ids import EntityId, Sub
from toprung.wire.scan import Scan

APART_S, SECONDS = 2.0, 24.0
NAMES = {int(entity): name for name, entity in WRITERS.items()}
SITE = """
site: three
machines:
  m0: {{interfaces: {{e: 10.88.5.11/24}}}}
  m1: {{interfaces: {{e: 10.88.5.12/24}}}}
  m2: {{interfaces: {{e: 10.88.5.13/24}}}}
links: {{l: {{kind: ethernet, delay: 2 ms, joins: [m0.e, m1.e, m2.e]}}}}
participants:
  p0: {{machine: m0, middleware: {library}{how}}}
  p1: {{machine: m1, middleware: {library}{how}}}
  p2: {{machine: m2, middleware: {library}{how}}}
topics:
  x: {{type: a::X, size: 100 B, rate: 1 Hz, from: p0, to: p1, qos: {{reliability: reliable}}}}
  y: {{type: a::X, size: 100 B, rate: 1 Hz, from: p1, to: p2}}
  z: {{type: a::X, size: 100 B, rate: 1 Hz, from: p2, to: p0, qos: {{reliability: reliable}}}}
"""
PEERS = ", discovery: {peers: [10.88.5.11, 10.88.5.12, 10.88.5.13]}"


@dataclass
class Message:
    """One discovery datagram as its sender's capture has it."""

    at: float
    sender: int  # number of the participant
    target: str
    port: int
    parts: list[tuple[Sub, str, int]]  # kind, writer's short name, named samples
    announced: ParticipantData | EndpointData | None
    size: int
    addressed: bool

    @property
    def multicast(self) -> bool:
        return self.target.startswith("239.")

    def writers(self, kind: Sub) -> tuple[str, ...]:
        return tuple(name for part, name, _ in self.parts if part is kind)


def messages(site: Site) -> list[Message]:
    """A rehearsal's discovery, participants two seconds apart, in order of time."""
    plan = plan_of(site, seconds=SECONDS)
    for number, peer in enumerate(plan.peers.values()):
        peer.begins_s = number * APART_S
    with Rehearsal(plan) as rehearsal:
        rehearsal.wait()
        found = [m for machine, path in rehearsal.captures().items() for m in _sent(path, site, machine)]
    found.sort(key=lambda m: m.at)
    for message in reversed(found):
        message.at -= found[0].at
    return found


def _sent(path: Path, site: Site, machine: str) -> Iterator[Message]:
    hosts = site.machine(machine).hosts
    scan = Scan(path.read_bytes())
    for block in scan.blocks():
        scan.tables.grow()
        rows, heads = block.submessages, block.messages
        by_message: dict[int, list[int]] = {}
        for row in range(block.n_submessages):
            by_message.setdefault(int(rows.message[row]), []).append(row)
        for head, own in by_message.items():
            target = scan.tables.addresses[heads.target[head]]
            parts = [
                (Sub(int(rows.kind[r])), NAMES[int(rows.writer[r])], int(rows.named[r]))
                for r in own
                if int(rows.writer[r]) in NAMES
            ]
            if scan.tables.addresses[heads.source[head]] not in hosts or target in hosts or not parts:
                continue
            said = next((a for r in own if (a := _announced(block, r)) is not None), None)
            addressed = any(rows.kind[r] == Sub.INFO_DST for r in own)
            at, size = int(heads.time_ns[head]) / 1e9, int(heads.size[head])
            port = int(heads.target_port[head])
            yield Message(at, int(machine[1:]), target, port, parts, said, size, addressed)


def _announced(block: Any, row: int) -> ParticipantData | EndpointData | None:
    if block.submessages.kind[row] != Sub.DATA:
        return None
    writer = int(block.submessages.writer[row])
    payload, inline = block.payload(row), block.inline_qos(row)
    if writer == EntityId.PARTICIPANT_WRITER:
        return read_participant(payload, inline).data
    sides = {EntityId.PUBLICATIONS_WRITER: Side.WRITER, EntityId.SUBSCRIPTIONS_WRITER: Side.READER}
    return read_endpoint(payload, sides[writer], inline).data if writer in sides else None


def rules_of(found: list[Message], peers: list[Message]) -> dict[str, Any]:
    """What one run shows of the rules."""
    calls = [m for m in found if "spdp" in m.writers(Sub.DATA)]
    alone = [m.at for m in calls if m.sender == 0 and m.multicast]
    copies = [m.at for m in calls if m.sender == 0 and m.multicast for p in m.writers(Sub.DATA)]
    burst = [at for at in copies if at < APART_S - 0.2]
    steady = [b - a for a, b in pairwise(alone) if b - a > 1.5 and b > 3 * APART_S]
    told = [m.at for m in calls if m.sender == 0 and m.target.endswith(".12")]
    met = told[0]
    quiet = max(alone)
    beats = _groups(found, Sub.HEARTBEAT, 0, ".12", met, met + 0.05)
    live = [m.at for m in found if m.sender == 0 and "pmd" in m.writers(Sub.DATA) and m.at > 3 * APART_S]
    lease = next(m.announced.lease_ns for m in calls) / 1e9
    probed = {m.port for m in peers if m.sender == 0 and m.target.endswith(".13") and m.at < 1}
    return {
        "lease_s": lease,
        "first_announcements_s": [round(at, 1) for at in burst],
        "period_s": round(float(np.median(steady)), 2),
        "to_known": any(abs(at - quiet) < 0.01 for at in told),
        "on_meeting": any(abs(at - met) < 0.02 for at in alone[1:]),
        "answers_s": []
        if any(abs(at - quiet) < 0.01 for at in told)
        else [round(at - met, 1) for at in told],
        "probed_ports": len(probed),
        "heartbeats": beats,
        "multicast_from": _casting(found),
        "confirm_after_s": _confirming(found),
        "liveliness_period_s": round(float(np.median(np.diff(live))), 1) if len(live) > 1 else None,
        "reaction_s": round(_reaction(found), 4),
    }


def _groups(
    found: list[Message], kind: Sub, sender: int, target: str, begin: float, end: float
) -> list[list[str]]:
    """Which builtin writers share the first messages of a kind."""
    seen: list[list[str]] = []
    for m in found:
        if m.sender == sender and m.target.endswith(target) and begin - 0.01 <= m.at < end:
            group = list(m.writers(kind))
            if group and not any(set(group) & set(other) for other in seen):
                seen.append(group)
    return seen


def _casting(found: list[Message]) -> int | None:
    """With how many known participants introductions go by multicast."""
    cast = [m for m in found if m.multicast and {"pub", "sub"} & set(m.writers(Sub.DATA))]
    return 2 if cast else None


def _confirming(found: list[Message]) -> float | None:
    """From introductions to the heartbeat that asks whether they came."""
    sent = {}
    for m in found:
        if {"pub", "sub"} & set(m.writers(Sub.DATA)):
            sent.setdefault(m.sender, m.at)
        elif m.sender in sent and {"pub", "sub"} & set(m.writers(Sub.HEARTBEAT)):
            after = m.at - sent[m.sender]
            if after > 0.05:
                return round(after, 1)
    return None


def _reaction(found: list[Message]) -> float:
    """From a question's arrival to its answer, at the median; the link takes 2 ms each way."""
    gaps = []
    for question in found:
        if any(kind is Sub.ACKNACK and named for kind, _, named in question.parts):
            asked = int(question.target.rsplit(".", 1)[1]) - 11
            answers = (
                m.at
                for m in found
                if m.sender == asked
                and question.at + 0.002 < m.at < question.at + 0.02
                and {"pub", "sub", "pmd"} & set(m.writers(Sub.DATA))
            )
            at = next(answers, None)
            if at is not None:
                gaps.append(at - question.at - 0.002)
    return float(np.median(gaps)) if gaps else 0.0


def parameters_of(found: list[Message]) -> dict[str, Any]:
    """What announcements are made of."""
    said = [m.announced for m in found if m.announced is not None]
    participant = next(a for a in said if isinstance(a, ParticipantData))
    ends = [a for a in said if isinstance(a, EndpointData)]
    writer = next(a for a in ends if a.side is Side.WRITER)
    reader = next(a for a in ends if a.side is Side.READER)
    return {
        "participant": list(participant.sent),
        "writer": sorted({pid for a in ends if a.side is Side.WRITER for pid in a.sent}),
        "reader": sorted({pid for a in ends if a.side is Side.READER for pid in a.sent}),
        "properties": [name for name, _ in participant.properties],
        "binary_properties": participant.binary_properties is not None,
        "vendor": sorted({pid for a in (participant, writer, reader) for pid, _ in a.unknown}),
        "type_information_bytes": len(writer.type_information or b""),
        "shared_memory": any(place.kind == 16 for place in participant.default_unicast),
        "representations": list(reader.qos.representation),
    }


def differences(measured: dict[str, Any], library: str) -> Iterator[str]:
    """Where the library's file says something else."""
    profile = profile_of(Middleware(library))
    for section, where in (("discovery", profile.rules), ("parameters", profile.parameters)):
        for name, value in measured[section].items():
            filed = getattr(where, name)
            if name in ("properties", "vendor"):
                filed = [key for key in (dict(filed) if isinstance(filed, tuple) else filed)]
            if name in ("writer", "reader", "vendor"):
                filed, value = set(filed), set(value)
                if value <= filed:  # what is sent only if it is not the default may be missing
                    continue
            if _plain(filed) != _plain(value) and not _near(filed, value):
                yield f"{section}.{name}: measured {value}, in the file {filed}"


def _plain(value: Any) -> Any:
    return [_plain(v) for v in value] if isinstance(value, list | tuple) else value


def _near(filed: Any, value: Any) -> bool:
    if isinstance(filed, tuple) and isinstance(value, list) and len(filed) == len(value):
        plain = all(isinstance(x, float) for x in (*filed, *value))
        return plain and all(abs(a - b) <= 0.1 for a, b in zip(filed, value, strict=True))
    both = isinstance(filed, float) and isinstance(value, float)
    return both and abs(filed - value) <= max(0.05 * filed, 0.0004)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    words.add_argument("library", choices=("cyclone", "fast"))
    words.add_argument("--check", action="store_true")
    asked = words.parse_args()
    found, peers = (messages(load_site(SITE.format(library=asked.library, how=how))) for how in ("", PEERS))
    measured = {"discovery": rules_of(found, peers), "parameters": parameters_of(found)}
    print(yaml.safe_dump(measured, sort_keys=False, default_flow_style=None, width=110))  # noqa: T201
    if asked.check:
        print("\n".join(differences(measured, asked.library)) or "as in the file")  # noqa: T201


if __name__ == "__main__":
    main()
