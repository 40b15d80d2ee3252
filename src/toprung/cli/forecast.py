"""toprung forecast: what to expect of a site before power-on."""

from __future__ import annotations

import argparse
import sys
from typing import Any

_ABOUT = """Says before power-on, flow by flow, how far each one would climb and what would stop it:
routes and MTUs, discovery's load on each machine against its budget, QoS, the links' load and air
time, the samples' age; for each loop its reaction and the greatest safe speed; for each battery its
endurance.

What the site file leaves out is taken as the forecast says in its last lines, or stays unseen."""

_EXAMPLE = """examples:
  toprung forecast site.yaml
  toprung forecast site.yaml --compare with_server.yaml
  toprung read site.yaml base=base.pcap --json > seen.json; toprung forecast site.yaml --against seen.json

exit status: 0 no findings, 1 findings, 2 bad input or usage; a note is no finding"""


def add_parser(commands: Any) -> None:
    parser: argparse.ArgumentParser = commands.add_parser(
        "forecast",
        help="the ladder, loads, reaction, safe speed, endurance, before power-on",
        description=_ABOUT,
        epilog=_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("site", metavar="SITE", help="site file")
    parser.add_argument("--json", action="store_true", help="print JSON (version 1) instead of text")
    parser.set_defaults(run=run)


def run(words: argparse.Namespace) -> int:
    """Exit status 1 where something would stop or hurt."""
    from toprung.cli.inputs import read_site
    from toprung.forecast.forecast import forecast

    made = forecast(read_site(words.site))
    if words.json:
        import json

        from toprung.pictures.envelope import envelope

        sys.stdout.write(json.dumps(envelope(made), indent=1) + "\n")
    else:
        from toprung.cli.output import style_of
        from toprung.pictures.forecast_text import forecast_text

        sys.stdout.write(forecast_text(made, style_of(sys.stdout)))
    return 1 if made.has_findings else 0
