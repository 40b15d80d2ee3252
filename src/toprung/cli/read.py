"""toprung read: the ladder as captured, with findings."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from toprung.cli.command import add_command

_ABOUT = """Reads captures of one or more machines and says, flow by flow, how far each one climbs and
what stops it. With a site file, its declared flows are judged; without one, the flows that were
seen.

Say which machine a capture was taken on (base=base.pcap) wherever you know it: several points of
view tell what one cannot."""

_EXAMPLE = """examples:
  toprung read site.yaml base=base.pcap desk=desk.pcapng
  toprung read robot.pcap.gz
  toprung read site.yaml base=base.pcap --json > ladder.json
  toprung read site.yaml desk=desk.pcap --probe base-desk.json

exit status: 0 no findings, 1 findings, 2 bad input or usage; a note is no finding"""


def add_parser(commands: Any) -> None:
    parser = add_command(commands, "read", "the ladder as captured; findings", _ABOUT, _EXAMPLE)
    parser.add_argument(
        "inputs",
        nargs="+",
        metavar="[SITE] [MACHINE=]CAPTURE",
        help="site file and captures, told apart by content",
    )
    parser.add_argument("--json", action="store_true", help="print JSON (version 1) instead of text")
    parser.add_argument(
        "--here", metavar="MACHINE", help="the machine that the one capture without a label was taken on"
    )
    parser.add_argument(
        "--probe",
        action="append",
        default=[],
        metavar="RESULTS",
        help="results of toprung probe --into, as evidence where no capture tells (may be repeated)",
    )
    parser.set_defaults(run=run)


def run(words: argparse.Namespace) -> int:
    """Exit status 1 where something stops or hurts."""
    from toprung.cli.inputs import check_machines, read_probes, read_site, sort_words, stand_at
    from toprung.cli.progress import Progress
    from toprung.live.reading import observe

    inputs = sort_words(words.inputs, site_wanted=True, capture_wanted=not words.probe)
    site = None if inputs.site is None else read_site(inputs.site)
    captures = stand_at(inputs.captures, words.here)
    if site is not None:
        check_machines(captures, site)
    observed = observe(site, captures, Progress, read_probes(words.probe, site))
    if words.json:
        import json

        from toprung.pictures.envelope import envelope

        sys.stdout.write(json.dumps(envelope(observed), indent=1) + "\n")
    else:
        from toprung.cli.output import style_of
        from toprung.pictures.ladder_text import ladder_text

        sys.stdout.write(ladder_text(observed, style_of(sys.stdout)))
    return 1 if observed.has_findings else 0
