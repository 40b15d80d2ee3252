"""The forecast's traffic against real traffic: bytes of user data on every link, with heartbeats and answers.

    python tests/live/data_check.py [OUT.json] [--only WORD] [--seconds 12]

Every case runs as a rehearsal (namespaces, links in user space, Cyclone DDS and Fast DDS).  Frames are
counted at the end that sends them, from the sixth second on, for so many seconds; three times as long where
packets are lost.  The forecast is told the rates that the writers kept and the share of packets that chance
took; the ratio as declared is there, too.  Writes docs/data_traffic.json, of which
docs/forecast_tables.py makes a table.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from data_sites import LIBRARIES, Case, cases
from datagrams import DATA, DATA_FRAG, Datagram, datagrams

from toprung.forecast.profile import profile_of
from toprung.forecast.reach import reach_of
from toprung.forecast.traffic import traffic_of
from toprung.model.site import Middleware, Site
from toprung.rehearse.plan import plan_of
from toprung.rehearse.run import Rehearsal

DOCS = Path(__file__).resolve().parents[2] / "docs"
SETTLED_S = 6.0  # discovery is over, and the first announcements with it
LOSSY_TIMES = 3  # what chance does needs longer to even out


def run(case: Case, seconds: float) -> list[dict[str, Any]]:
    """One row for each link of the case's site."""
    seconds *= LOSSY_TIMES if any(link.loss for link in case.site.links) else 1
    with Rehearsal(plan_of(case.site, seconds=SETTLED_S + seconds + 0.5)) as rehearsal:
        rehearsal.wait()
        captured = {machine: datagrams(path) for machine, path in rehearsal.captures().items()}
    begun = min(d.time_s for found in captured.values() for d in found) + SETTLED_S
    settled = {
        machine: [d for d in found if begun <= d.time_s < begun + seconds]
        for machine, found in captured.items()
    }
    real = _with_real_loss(_at_their_pace(case.site, settled, seconds), settled)
    traffic, meant = (traffic_of(s, reach_of(s)) for s in (real, case.site))
    rows = []
    for name, link in traffic.links.items():
        seen = list(_on_link(case.site, name, settled))
        octets = sum(sum(d.frames) for d in seen) / seconds
        rows.append(
            {
                "case": case.name,
                "library": case.library,
                "says": case.says,
                "link": name,
                "forecast_bytes_per_s": round(link.bytes_per_s, 1),
                "seen_bytes_per_s": round(octets, 1),
                "forecast_packets_per_s": round(link.packets_per_s, 2),
                "seen_packets_per_s": round(sum(len(d.frames) for d in seen) / seconds, 2),
                "ratio": _ratio(link.bytes_per_s, octets),
                "ratio_as_declared": _ratio(meant.links[name].bytes_per_s, octets),
                "rates_hz": {t.name: t.rate_hz and round(t.rate_hz, 3) for t in real.topics},
                "loss": next(x.loss for x in real.links if x.name == name),
            }
        )
    return rows


def _ratio(forecast: float, seen: float) -> float:
    return round(forecast / seen, 4) if seen else float(not forecast)


def _at_their_pace(site: Site, settled: dict[str, list[Datagram]], seconds: float) -> Site:
    """The site with the rates that its one writing participant really kept: a busy computer makes it late.

    Writers' entity ids rise in the order in which they were created, which is the site's.
    """
    machine = site.participant(site.topics[0].writers[0]).machine
    written: dict[int, set[int]] = {}
    for datagram in settled[machine]:
        for part in datagram.parts if datagram.user and datagram.outgoing else ():
            if part.kind in (DATA, DATA_FRAG) and not part.writer & 0xC0:
                written.setdefault(part.writer, set()).add(part.sequence)
    if len(written) != len(site.topics):  # nothing of a topic left the machine
        return site
    paces = [len(written[writer]) / seconds for writer in sorted(written)]
    topics = tuple(replace(t, rate_hz=pace) for t, pace in zip(site.topics, paces, strict=True))
    return replace(site, topics=topics)


def _with_real_loss(site: Site, settled: dict[str, list[Datagram]]) -> Site:
    """The site with the loss that chance made of the declared one (of links with two ends, alone there)."""
    if not any(link.loss for link in site.links):
        return site
    sent, come = (
        sum(len(d.frames) for f in settled.values() for d in f if d.outgoing is way) for way in (True, False)
    )
    return replace(site, links=tuple(replace(link, loss=1 - come / sent) for link in site.links))


def _on_link(site: Site, name: str, settled: dict[str, list[Datagram]]) -> Iterator[Datagram]:
    """Datagrams that an end of the link sent."""
    link = next(x for x in site.links if x.name == name)
    for joint in link.joins:
        machine = site.machine(joint.machine)
        hosts = next(i.hosts for i in machine.interfaces if i.name == joint.interface)
        yield from (d for d in settled[joint.machine] if d.user and d.outgoing and d.source in hosts)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    words.add_argument("out", nargs="?", type=Path, default=DOCS / "data_traffic.json")
    words.add_argument("--only", default="", help="cases whose name or words hold this")
    words.add_argument("--library", choices=LIBRARIES, default=None, help="of the writers")
    words.add_argument("--seconds", type=float, default=12.0)
    asked = words.parse_args()
    rows = []
    for case in cases():
        if asked.library not in (None, case.library) or asked.only not in f"{case.name}: {case.says}":
            continue
        rows += run(case, asked.seconds)
        for row in rows[-len(case.site.links) :]:
            sys.stderr.write(f"{row['ratio']:.3f}  {row['library']} {row['says']} on {row['link']}\n")
    found = {
        "measured": datetime.now(UTC).date().isoformat(),
        "libraries": [profile_of(m).library for m in (Middleware.CYCLONE, Middleware.FAST)],
        "seconds": asked.seconds,
        "rows": rows,
    }
    asked.out.write_text(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()
