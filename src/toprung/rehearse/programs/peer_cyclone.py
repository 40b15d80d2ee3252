"""One DomainParticipant on Cyclone DDS: writes and reads as its JSON spec says, and counts.

    python peer_cyclone.py SPEC.json RESULT.json

The library's own settings come in CYCLONEDDS_URI.  The result is rewritten twice a second, so that it
survives a kill; it holds what was sent and received by topic, how many remote endpoints matched, and the
policy ids of incompatible ones.  SIGTERM ends the peer with a goodbye.
"""

from __future__ import annotations

import gc
import json
import signal
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from cyclonedds.core import DDSException, Listener
from cyclonedds.domain import DomainParticipant
from cyclonedds.idl import make_idl_struct
from cyclonedds.idl.annotations import final
from cyclonedds.idl.types import float32, float64, uint32
from cyclonedds.pub import DataWriter, Publisher
from cyclonedds.qos import Policy, Qos
from cyclonedds.sub import DataReader, Subscriber
from cyclonedds.topic import Topic
from cyclonedds.util import duration

Words = dict[str, Any]

FIELDS = {"L": uint32, "f": float32, "d": float64, "s": str}
WIDTHS = {"L": 4, "f": 4, "d": 8}
LIVELINESS = {
    "automatic": Policy.Liveliness.Automatic,
    "manual_by_participant": Policy.Liveliness.ManualByParticipant,
    "manual_by_topic": Policy.Liveliness.ManualByTopic,
}
SCOPES = {
    "instance": Policy.PresentationAccessScope.Instance,
    "topic": Policy.PresentationAccessScope.Topic,
    "group": Policy.PresentationAccessScope.Group,
}
ORDERS = {
    "by_reception_timestamp": Policy.DestinationOrder.ByReceptionTimestamp,
    "by_source_timestamp": Policy.DestinationOrder.BySourceTimestamp,
}
KINDS = {
    "volatile": Policy.Durability.Volatile,
    "transient_local": Policy.Durability.TransientLocal,
    "transient": Policy.Durability.Transient,
    "persistent": Policy.Durability.Persistent,
}


def span(seconds: float | None) -> int:
    return duration(infinite=True) if seconds is None else duration(seconds=seconds)


def policies(words: Words) -> Qos:
    """The endpoint's QoS from the spec's words; what is not said stays the library's default."""
    found: list[Any] = []
    reliable = words.get("reliability", "best_effort") == "reliable"
    found.append(
        Policy.Reliability.Reliable(duration(milliseconds=100)) if reliable else Policy.Reliability.BestEffort
    )
    found.append(KINDS[words.get("durability", "volatile")])
    found.append(Policy.History.KeepLast(words.get("depth", 16)))
    if words.get("durability", "volatile") != "volatile":
        found.append(
            Policy.DurabilityService(
                duration(seconds=0), Policy.History.KeepLast(words.get("depth", 16)), -1, -1, -1
            )
        )
    if "deadline" in words:
        found.append(Policy.Deadline(span(words["deadline"])))
    if "latency_budget" in words:
        found.append(Policy.LatencyBudget(span(words["latency_budget"])))
    if "liveliness" in words:
        found.append(LIVELINESS[words["liveliness"]](span(words.get("liveliness_lease"))))
    if "ownership" in words:
        found.append(
            Policy.Ownership.Exclusive if words["ownership"] == "exclusive" else Policy.Ownership.Shared
        )
    if "strength" in words:
        found.append(Policy.OwnershipStrength(words["strength"]))
    if "destination_order" in words:
        found.append(ORDERS[words["destination_order"]])
    if "representation" in words:
        found.append(
            Policy.DataRepresentation(
                use_cdrv0_representation="xcdr1" in words["representation"],
                use_xcdrv2_representation="xcdr2" in words["representation"],
            )
        )
    return Qos(*found)


def group_policies(words: Words) -> Qos:
    """What belongs to the publisher or subscriber."""
    found: list[Any] = []
    if "partition" in words:
        found.append(Policy.Partition(words["partition"]))
    if "access_scope" in words or "coherent" in words or "ordered" in words:
        found.append(
            SCOPES[words.get("access_scope", "instance")](
                bool(words.get("coherent")), bool(words.get("ordered"))
            )
        )
    return Qos(*found)


def structure(entry: Words) -> tuple[Any, list[str]]:
    """An IDL struct of the spec's layout: "Ldds" is a counter, two doubles, a string that fills the size."""
    name = entry["type"]
    names = entry.get("members") or [f"m{i}" for i in range(len(entry["layout"]))]
    fields = {n: FIELDS[k] for n, k in zip(names, entry["layout"], strict=True)}
    return final(make_idl_struct(name.rsplit("::", 1)[-1], name, fields)), list(fields)


class Watch(Listener):
    """Counts what the library reports of one endpoint."""

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self.matched = 0
        self.policies: set[int] = set()

    def on_requested_incompatible_qos(self, reader: Any, status: Any) -> None:
        self.policies.add(status.last_policy_id)

    def on_offered_incompatible_qos(self, writer: Any, status: Any) -> None:
        self.policies.add(status.last_policy_id)

    def on_subscription_matched(self, reader: Any, status: Any) -> None:
        self.matched = max(self.matched, status.current_count)

    def on_publication_matched(self, writer: Any, status: Any) -> None:
        self.matched = max(self.matched, status.current_count)


class Peer:
    def __init__(self, spec: Words, result: Path) -> None:
        self.spec, self.result = spec, result
        self.topics: dict[tuple[str, str, str], tuple[Any, Any, list[str]]] = {}
        self.participant = DomainParticipant(spec.get("domain", 0), qos=Qos(Policy.EntityName(spec["name"])))
        self.writers = [self._writer(w) for w in spec.get("writers", ())]
        self.readers = [self._reader(r) for r in spec.get("readers", ())]
        self.keep = True

    def _topic(self, entry: Words) -> tuple[Any, Any, list[str]]:
        key = (entry["topic"], entry["type"], entry["layout"])
        if key not in self.topics:
            kind, members = structure(entry)
            self.topics[key] = Topic(self.participant, entry["topic"], kind), kind, members
        return self.topics[key]

    def _writer(self, entry: Words) -> Words:
        topic, kind, members = self._topic(entry)
        watch = Watch()
        group = Publisher(self.participant, qos=group_policies(entry["qos"]))
        writer = DataWriter(group, topic, qos=policies(entry["qos"]), listener=watch)
        fill = "x" * max(1, entry["size"] - 9 - sum(WIDTHS.get(k, 0) for k in entry["layout"]))
        sample = kind(*[fill if k == "s" else 0 for k in entry["layout"]])
        return {
            "entry": entry,
            "writer": writer,
            "group": group,
            "watch": watch,
            "sample": sample,
            "counter": members[0],
            "sent": 0,
            "due": time.monotonic() + entry.get("begin", 0.2),
        }

    def _reader(self, entry: Words) -> Words:
        topic, _, _ = self._topic(entry)
        watch = Watch()
        group = Subscriber(self.participant, qos=group_policies(entry["qos"]))
        reader = DataReader(group, topic, qos=policies({"depth": 200, **entry["qos"]}), listener=watch)
        return {"entry": entry, "reader": reader, "group": group, "watch": watch, "received": 0}

    def run(self) -> None:
        begun = time.monotonic()
        noted = 0.0
        while self.keep and (now := time.monotonic()) - begun < self.spec["seconds"]:
            for w in self.writers:
                self._write(w, now)
            for r in self.readers:
                r["received"] += sum(1 for s in r["reader"].take(200) if s.sample_info.valid_data)
            if now - noted > 0.5:
                noted = now
                self.note()
            time.sleep(0.003)
        self.note()

    def leave(self) -> None:
        """Say goodbye while Python still runs: in its own exit, a listener that is just called waits for
        ever for the interpreter, and the library for the listener.
        """
        for ends in (self.writers, self.readers):
            ends.clear()  # frees an endpoint before its listener
        self.topics.clear()
        del self.participant
        gc.collect()

    def _write(self, w: Words, now: float) -> None:
        entry = w["entry"]
        if now < w["due"] or w["sent"] >= entry.get("count", 1 << 60):
            return
        if not entry.get("silent"):
            setattr(w["sample"], w["counter"], w["sent"] + 1)
            with suppress(DDSException):  # a reliable writer that finds no room in time goes on
                w["writer"].write(w["sample"])
                w["sent"] += 1
        w["due"] += 1 / entry["rate"] if entry.get("rate") else 1e9
        w["due"] = max(w["due"], now - 2.0)  # what was missed in a pause is made up for

    def note(self) -> None:
        seen = {
            "sent": {w["entry"]["topic"]: w["sent"] for w in self.writers},
            "received": {r["entry"]["topic"]: r["received"] for r in self.readers},
            "matched": {e["entry"]["topic"]: e["watch"].matched for e in self.writers + self.readers},
            "incompatible": {
                e["entry"]["topic"]: sorted(e["watch"].policies)
                for e in self.writers + self.readers
                if e["watch"].policies
            },
        }
        part = self.result.with_suffix(".part")
        part.write_text(json.dumps(seen))
        part.replace(self.result)


def main() -> None:
    peer = Peer(json.loads(Path(sys.argv[1]).read_text()), Path(sys.argv[2]))

    def stop(*_: object) -> None:
        peer.keep = False

    signal.signal(signal.SIGTERM, stop)
    peer.run()
    peer.leave()


if __name__ == "__main__":
    main()
