"""toprung forecast: what to expect of a site before power-on."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from toprung.cli.command import add_command

if TYPE_CHECKING:
    from toprung.forecast.result import Forecast
    from toprung.pictures.told import Told

SEEDS = 5
MOST_SEEDS = 1000
MOST_BYTES = 64 << 20  # of a JSON file

_ABOUT = """Says before power-on, flow by flow, how far each one would climb and what would stop it:
routes and MTUs, discovery's load on each machine against its budget, QoS, the links' load and air
time, the samples' age; for each loop its reaction and the greatest safe speed; for each battery its
endurance.

What the site file leaves out is taken as the forecast says in its last lines, or stays unseen."""

_EXAMPLE = """examples:
  toprung forecast site.yaml
  toprung forecast site.yaml --compare with_server.yaml
  toprung read site.yaml base=base.pcap --json > seen.json
  toprung forecast site.yaml --against seen.json

exit status: 0 no findings, 1 findings, 2 bad input or usage; a note is no finding"""


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "forecast",
        "the ladder, loads, reaction, safe speed, endurance, before power-on",
        _ABOUT,
        _EXAMPLE,
    )
    parser.add_argument("site", metavar="SITE", help="site file")
    parser.add_argument("--json", action="store_true", help="print JSON (version 1) instead of text")
    parser.add_argument("--short", action="store_true", help="the ladder and the findings alone, as text")
    parser.add_argument(
        "--no-simulation", action="store_true", help="leave out the simulation of discovery: quicker"
    )
    parser.add_argument(
        "--seeds", type=int, default=SEEDS, metavar="N", help=f"runs of the simulation (default {SEEDS})"
    )
    beside = parser.add_mutually_exclusive_group()
    beside.add_argument("--against", metavar="FILE", help="what `toprung read SITE ... --json` printed")
    beside.add_argument("--compare", metavar="SITE2", help="another site file: what would change")
    parser.set_defaults(run=run)


def run(words: argparse.Namespace) -> int:
    """Exit status 1 where something would stop or hurt: of two sites, in the second one."""
    from toprung.errors import UsageError

    if not 1 <= words.seeds <= MOST_SEEDS:
        raise UsageError(
            "that is no number of runs", f"--seeds {words.seeds}", f"1 to {MOST_SEEDS} would be right"
        )
    made = _forecast(words.site, words)
    if words.against:
        _say_against(made, _read(words.against), words.json)
    elif words.compare:
        other = _forecast(words.compare, words)
        _say_compared(made, other, words)
        made = other
    else:
        _say(made, words)
    return 1 if made.has_findings else 0


def _forecast(path: str, words: argparse.Namespace) -> Forecast:
    from toprung.cli.inputs import read_site
    from toprung.cli.progress import Waiting
    from toprung.forecast.forecast import forecast

    site, seeds = read_site(path), tuple(range(1, words.seeds + 1))
    with Waiting(f"forecasting {_name(path)}"):
        return forecast(site, simulate=not words.no_simulation, seeds=seeds)


def _read(path: str) -> Told:
    import json

    from toprung.errors import UsageError
    from toprung.pictures.told import read_told

    right = "what `toprung read SITE CAPTURE --json` prints would be right"
    try:
        with open(path, "rb") as file:
            text = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise UsageError((error.strerror or "cannot be read").lower(), path, right) from None
    if len(text) > MOST_BYTES:
        raise UsageError("the file is too long", path, right)
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        raise UsageError("this is no JSON", path, right) from None
    return read_told(data, path)


def _say(made: Forecast, words: argparse.Namespace) -> None:
    if words.json:
        from toprung.pictures.envelope import envelope

        return _dump(envelope(made))
    from toprung.cli.output import style_of
    from toprung.pictures.forecast_text import forecast_text

    sys.stdout.write(forecast_text(made, style_of(sys.stdout), words.short))


def _say_against(made: Forecast, seen: Told, as_json: bool) -> None:
    from toprung.cli.output import style_of
    from toprung.pictures.comparison_text import against_text, comparison_json
    from toprung.pictures.told import told_of

    if as_json:
        return _dump(comparison_json(told_of(made), seen))
    sys.stdout.write(against_text(told_of(made), seen, style_of(sys.stdout)))


def _say_compared(made: Forecast, other: Forecast, words: argparse.Namespace) -> None:
    from toprung.cli.output import style_of
    from toprung.pictures.comparison_text import compare_text, comparison_json
    from toprung.pictures.told import told_of

    if words.json:
        return _dump(comparison_json(told_of(made), told_of(other)))
    names = (_name(words.site), _name(words.compare))
    sys.stdout.write(compare_text(made, other, names, style_of(sys.stdout)))


def _name(path: str) -> str:
    from os.path import basename

    return basename(path)


def _dump(data: dict[str, Any]) -> None:
    import json

    sys.stdout.write(json.dumps(data, indent=1) + "\n")
