"""toprung rehearse: the site as real DDS traffic on this machine, with faults on request."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toprung.cli.command import add_command

if TYPE_CHECKING:
    from toprung.model.site import Site
    from toprung.rehearse.faults import Fault
    from toprung.rehearse.result import Rehearsed
    from toprung.rehearse.specs import Plan

PEERS = ("as-declared", "cyclone", "fast")
MOST_S = 3600.0

_ABOUT = """Runs the site on this machine: a network namespace for each machine, real DDS for each
participant, links with the declared rate, delay, loss and air time. Captures of all machines are
read while it runs, and the ladder climbs. Break something on purpose with --fault, and see whether
the diagnosis names it; `--fault help` lists the faults.

Needs Linux and root, touches no network interface of this machine, and leaves nothing behind."""

_EXAMPLE = """examples:
  sudo toprung rehearse site.yaml
  sudo toprung rehearse site.yaml --for 15s --fault multicast-dropped:air --keep run1
  sudo toprung rehearse site.yaml --peers cyclone --json > seen.json

exit status: 0 no findings, 1 findings, 2 bad input or usage; a note is no finding"""


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "rehearse",
        "the site as real DDS traffic on this machine, with faults on request",
        _ABOUT,
        _EXAMPLE,
    )
    parser.add_argument("site", metavar="SITE", help="site file")
    parser.add_argument(
        "--fault", action="append", default=[], metavar="SPEC", help="KIND:SUBJECT[,key=value...][@SECONDS]"
    )
    parser.add_argument("--for", dest="seconds", default="20 s", metavar="TIME", help="how long (20 s)")
    parser.add_argument("--peers", choices=PEERS, default=PEERS[0], help="the DDS library that runs")
    parser.add_argument("--keep", metavar="DIR", help="keep captures, site and counts in a new folder")
    parser.add_argument("--json", action="store_true", help="print JSON (version 1) instead of text")
    parser.set_defaults(run=run)


def run(words: argparse.Namespace) -> int:
    """Exit status 1 where something stops or hurts."""
    from toprung.cli.inputs import read_site
    from toprung.rehearse.faults import fault_help, parse_fault
    from toprung.rehearse.plan import plan_of

    if "help" in words.fault:
        sys.stdout.write(fault_help() + "\n")
        return 0
    site = read_site(words.site)
    plan = plan_of(site, seconds=_seconds(words.seconds), peers=words.peers)
    faults = [parse_fault(fault, site) for fault in words.fault]
    for fault in faults:
        _check_time(fault, plan)
        fault.apply(plan)
    if words.keep:
        _make_new(words.keep)
    rehearsed = _rehearse(site, plan, faults, words)
    _say(rehearsed, words.json)
    return 1 if rehearsed.observed.has_findings else 0


def _seconds(written: str) -> float:
    from toprung.cli.quantities import seconds
    from toprung.errors import UsageError

    value = seconds(written, "--for")
    if not 0 < value <= MOST_S:
        raise UsageError(
            "a rehearsal takes more than nothing and up to an hour",
            f"--for {written}",
            "a time like 20s would be right",
        )
    return value


def _rehearse(site: Site, plan: Plan, faults: list[Fault], words: argparse.Namespace) -> Rehearsed:
    from toprung.cli.rehearsing import Screen
    from toprung.forecast.forecast import forecast
    from toprung.live.leftovers import REHEARSAL, temporary_folder
    from toprung.live.reading import observe
    from toprung.pictures.plain import printable
    from toprung.rehearse.peers import to_compile
    from toprung.rehearse.result import Rehearsed, carried, counted, judged
    from toprung.rehearse.run import Rehearsal, lacking, libraries

    if to_compile(libraries(plan)) and not lacking(plan):
        sys.stderr.write("compiling the participants' program, once\n")
    with temporary_folder(REHEARSAL) as folder:
        with Rehearsal(plan, folder) as rehearsal:
            Screen(site, rehearsal).watch()
        for name, last in rehearsal.failures.items():
            sys.stderr.write(printable(f"{name} did not run to the end: {last}") + "\n")
        observed = observe(site, rehearsal.words())
        if words.keep:
            _keep(Path(words.keep), folder, words.site, rehearsal.counts())
    return Rehearsed(
        observed,
        forecast(site),
        counted(site, rehearsal.counts()),
        carried(site, rehearsal.links, rehearsal.ran_s),
        judged(faults, observed),
    )


def _check_time(fault: Fault, plan: Plan) -> None:
    from toprung.errors import UsageError

    if fault.at_s is not None and fault.at_s >= plan.seconds:
        says = f"it would come after {fault.at_s:g} s, the rehearsal ends after {plan.seconds:g} s"
        raise UsageError(
            says, f"--fault {fault.words}", "an earlier @SECONDS, or a longer --for, would be right"
        )


def _make_new(path: str) -> None:
    """Before the rehearsal, lest it be for nothing."""
    from toprung.errors import UsageError

    folder = Path(path)
    if folder.exists() and not (folder.is_dir() and not any(folder.iterdir())):
        raise UsageError("it is there already, and not empty", path, "a new folder would be right")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        why = (error.strerror or "cannot be made").lower()
        raise UsageError(why, path, "a folder that can be made would be right") from None


def _keep(target: Path, folder: Path, site: str, counts: dict[str, Any]) -> None:
    """Captures, the site file, what the peers counted, and their logs."""
    import json
    import shutil

    from toprung.errors import UsageError

    try:
        for pattern in ("*.pcapng", "*.log"):
            for path in folder.glob(pattern):
                shutil.copyfile(path, target / path.name)
        shutil.copyfile(site, target / "site.yaml")
        (target / "counts.json").write_text(json.dumps(counts, indent=1) + "\n")
    except OSError as error:
        raise UsageError(
            (error.strerror or "cannot be written").lower(), str(target), "a folder with room"
        ) from None


def _say(rehearsed: Rehearsed, as_json: bool) -> None:
    if as_json:
        import json

        from toprung.pictures.rehearsal_text import rehearsal_json

        sys.stdout.write(json.dumps(rehearsal_json(rehearsed), indent=1) + "\n")
        return
    from toprung.cli.output import style_of
    from toprung.pictures.rehearsal_text import rehearsal_text

    sys.stdout.write(rehearsal_text(rehearsed, style_of(sys.stdout)))
