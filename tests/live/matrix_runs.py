"""One run of the matrix: a rehearsal with one fault or none, its captures, and its truth."""

from __future__ import annotations

import gzip
import shutil
import zlib
from dataclasses import asdict
from pathlib import Path
from typing import Any

from matrix_cases import Healthy, Row
from matrix_marks import Truth, came, delivered, settled
from matrix_sites import make_site

from toprung.model.site import Site
from toprung.model.site_file import load_site
from toprung.rehearse.faults import Fault, parse_fault
from toprung.rehearse.plan import plan_of
from toprung.rehearse.run import Rehearsal
from toprung.rehearse.specs import Begin, End, Event, Plan

# these leave the flow going, badly or for some of the time: what is delivered is no measure
MOVING = frozenset(
    (
        "cut",
        "left",
        "killed",
        "lapsing",
        "cloned-address",
        "slowed",
        "slow-writer",
        "second-commander",
        "random-loss",
        "resend-storm",
        "thin-link",
        "delayed",
        "bursts",
        "clock-shifted",
    )
)
RACES = frozenset(("cloned-identity",))  # which of the two the others believe in is chance
HOPS = 8  # multicast of every library gets that far in sound runs across a router


def make_row(row: Row, library: str, salt: str, folder: Path) -> dict[str, Any]:
    """Run a fault; leaves captures and site file in the folder."""
    turn = zlib.crc32(f"{row.id}{library}{salt}".encode())
    made = make_site(row.shapes[turn % len(row.shapes)], library, f"{row.id} {salt}")
    site = load_site(made.text)
    fault = parse_fault(row.words[turn // 7 % len(row.words)].format(**made.names), site)
    fast = library != "cyclone" and row.slow_seconds
    plan = plan_of(site, seconds=row.slow_seconds if fast else row.seconds)
    _far(plan)
    fault.apply(plan)
    counts = perform(plan, folder, made.text)
    samples = by_flow(site, counts)
    truth = _truth(row, fault, samples)
    return {
        "kind": fault.code,
        "words": fault.words,
        "library": library,
        "truth": asdict(truth),
        "samples": samples,
        "viewpoints": _viewpoints(site, fault, truth),
        "doubts": doubts(fault, truth, samples),
    }


def _truth(row: Row, fault: Fault, samples: dict[str, dict[str, int]]) -> Truth:
    expected = fault.expects()
    broken, touched = [str(f) for f in expected.broken], [str(f) for f in expected.touched]
    causes = (*(row.only or expected.causes), *row.also)
    return settled(
        causes, broken, touched, list(samples), samples, fault.code not in MOVING, fault.code in RACES
    )


def _viewpoints(site: Site, fault: Fault, truth: Truth) -> dict[str, list[str]]:
    """The machines of a broken flow's writer and reader; of one that crosses a link, where there is one."""
    wanted = truth.broken or tuple(str(f) for f in fault.expects().broken)
    ends = {str(f.flow): [site.participant(n).machine for n in (f.writer, f.reader)] for f in site.flows()}
    flow = next((f for f in wanted if len(set(ends[f])) == 2), wanted[0])
    writer, reader = ends[flow]
    return {"writer": [writer], "reader": [reader], "both": sorted({writer, reader})}


def make_healthy(case: Healthy, library: str, salt: str, folder: Path) -> dict[str, Any]:
    """Run a sound site, all machines captured; each machine's own view is read, and all together."""
    turn = zlib.crc32(f"{case.id}{library}{salt}".encode())
    made = make_site(case.shapes[turn % len(case.shapes)], library, f"{case.id} {salt}")
    site = load_site(made.text)
    plan = plan_of(site, seconds=case.seconds)
    plan.capture_after_s = case.capture_after
    _far(plan)
    for words in case.words:
        parse_fault(words.format(**made.names), site).apply(plan)
    if case.restart:
        role, when, goodbye, after = case.restart
        name = made.names[role]
        plan.events += [Event(when, End(name, goodbye)), Event(when + after, Begin(name))]
    if case.joins:
        plan.peers[made.names[case.joins[0]]].begins_s = case.joins[1]
    samples = by_flow(site, perform(plan, folder, made.text))
    machines = sorted({p.machine for p in site.participants})
    truth = Truth((), (), tuple(samples), "")
    return {
        "kind": "healthy",
        "words": case.what,
        "library": library,
        "truth": asdict(truth),
        "samples": samples,
        "viewpoints": {m: [m] for m in machines} | {"all": machines},
        "doubts": [f"sound, yet {n}: {f}" for f, n in samples.items() if not came(n) and not case.joins],
    }


def _far(plan: Plan) -> None:
    """Fast DDS sends multicast one hop far by default: across a router it has to be told."""
    if any("multicast" in m.forwards for m in plan.machines.values()):
        for peer in plan.peers.values():
            peer.ttl = HOPS


def perform(plan: Plan, folder: Path, site_text: str) -> dict[str, Any]:
    """Run the plan; leaves the site file and packed captures; returns what the peers counted."""
    (folder / "site.yaml").write_text(site_text)
    work = folder / "work"
    with Rehearsal(plan, work, seed=zlib.crc32(str(folder).encode())) as rehearsal:
        while not rehearsal.wait():
            pass
    counts = rehearsal.counts()
    for machine, path in rehearsal.captures().items():
        pack(path, folder / f"{machine}.pcapng.gz")
    shutil.rmtree(work, ignore_errors=True)
    return counts


def pack(capture: Path, target: Path) -> None:
    with capture.open("rb") as raw, gzip.open(target, "wb", compresslevel=1) as packed:
        shutil.copyfileobj(raw, packed, 1 << 20)


def by_flow(site: Site, counts: dict[str, Any]) -> dict[str, dict[str, int]]:
    """Samples sent and received of every declared flow, by the peers' own counts."""
    nothing: dict[str, dict[str, int]] = {"sent": {}, "received": {}}
    return {
        str(f.flow): {
            "sent": counts.get(f.writer, nothing)["sent"].get(f.wire_topic, 0),
            "received": counts.get(f.reader, nothing)["received"].get(f.wire_topic, 0),
        }
        for f in site.flows()
    }


def doubts(fault: Fault, truth: Truth, samples: dict[str, dict[str, int]]) -> list[str]:
    """Where the counts do not bear out what the fault should do."""
    expected = fault.expects()
    moving = fault.code in MOVING
    found = [
        f"should be broken, yet {samples[str(f)]}: {f}"
        for f in expected.broken
        if not moving and delivered(samples[str(f)])
    ]
    spared = {str(f) for f in (*expected.broken, *expected.touched)}
    return found + [
        f"should be sound, yet {n}: {f}" for f, n in samples.items() if f not in spared and not came(n)
    ]
