"""The discovery simulation's speed, beside the same model in SimPy in the same run.

    python benchmarks/simulation.py [--participants 1000] [--twin 250]

Both run the same site and seed; their results must be equal.  Prints events a second and their ratio, both
without preparation, and how long 1,000 participants with 20 endpoints take on one core, with it.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from tests.forecast.twin import Twin

from toprung.forecast.company import Company, company_of
from toprung.forecast.reach import reach_of
from toprung.forecast.simulation import Prepared, run, tables_of
from toprung.model.site import Site
from toprung.model.site_file import load_site

ENDPOINTS = 20
HORIZON_S = 15.0
BUDGET = "{messages: 200 kHz}"  # machines that are not the limit


def site_of(count: int, library: str) -> Site:
    """So many machines with one participant each on one link; each has 20 endpoints."""
    lines = ["site: crowd", "machines:"]
    for i in range(count):
        lines.append(f"  m{i}: {{interfaces: {{e: 10.{i // 250}.0.{1 + i % 250}/8}}, budget: {BUDGET}}}")
    lines += ["links:", f"  l: {{kind: ethernet, joins: [{', '.join(f'm{i}.e' for i in range(count))}]}}"]
    lines.append("participants:")
    lines += [f"  p{i}: {{machine: m{i}, middleware: {library}}}" for i in range(count)]
    lines.append("topics:")
    for i in range(count):
        for k in range(ENDPOINTS // 2):
            lines.append(f"  t{i}_{k}: {{type: a::B, from: p{i}, to: p{(i + k + 1) % count}}}")
    return load_site("\n".join(lines) + "\n")


def company(count: int, library: str) -> Company:
    site = site_of(count, library)
    dice = np.random.default_rng(1)
    starts = {p.name: float(s) for p, s in zip(site.participants, dice.uniform(0, 1, count), strict=True)}
    return company_of(site, reach_of(site), starts_s=starts)


def beside(count: int, library: str) -> None:
    """Kernel and twin on the same company."""
    people = company(count, library)
    prepared = Prepared(people, 1, HORIZON_S)
    begun = time.perf_counter()
    kernel = prepared.go()
    quick = time.perf_counter() - begun
    twin = Twin(
        tables_of(people, HORIZON_S),
        people.starts_s.tolist(),
        (people.starts_s + people.late_s).tolist(),
        1,
    )
    begun = time.perf_counter()
    twin.run(HORIZON_S)
    slow = time.perf_counter() - begun
    found = np.full((count, count), -1.0)
    for person in twin.people:
        for number, at in person.has_at.items():
            found[person.number, number] = at
    equal = np.allclose(kernel.has_at, found, rtol=0, atol=1e-6) and kernel.sent.tolist() == twin.sent
    print(  # noqa: T201
        f"{library:8} {count} participants: {kernel.events:,} events; {kernel.events / quick / 1e6:.2f} M/s, "
        f"SimPy {twin.events / slow / 1e6:.4f} M/s, ratio {slow / quick:.0f}; results equal: {equal}"
    )


def crowd(count: int, library: str) -> None:
    people = company(count, library)
    begun = time.perf_counter()
    done = run(people, 1, HORIZON_S)
    spent = time.perf_counter() - begun
    print(  # noqa: T201
        f"{library:8} {count} participants x {ENDPOINTS} endpoints, {HORIZON_S:g} s: {spent:.2f} s, "
        f"{done.events:,} events ({done.events / spent / 1e6:.2f} M/s), "
        f"{int(done.received.sum()):,} datagrams received, {done.missing} pairs not introduced"
    )


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    words.add_argument("--participants", type=int, default=1000)
    words.add_argument("--twin", type=int, default=250)
    asked = words.parse_args()
    for library in ("cyclone", "fast"):
        beside(asked.twin, library)
    for library in ("cyclone", "fast"):
        crowd(asked.participants, library)


if __name__ == "__main__":
    main()
