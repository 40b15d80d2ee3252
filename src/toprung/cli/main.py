"""toprung: the command line.

Exit status 0: nothing to find; 1: findings; 2: our input or the command is unusable.  Heavy libraries are
imported by the commands that need them, when they run.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from toprung import __version__
from toprung.cli import draft, forecast, listen, probe, read, rehearse, report, serve
from toprung.errors import ToolError

COMMANDS = (forecast, read, listen, probe, rehearse, report, serve, draft)
INTERRUPTED = 130  # 128 + SIGINT, as shells count

_ABOUT = """Says why a robot's DDS topics do not arrive, and what to change.

Every flow (one writer, one reader, one topic) climbs six rungs: path, heard, introduced, matched,
flowing, timely. The first broken rung is the reason why it does not work."""

_EXAMPLE = """example:
  toprung read site.yaml base=base.pcap desk=desk.pcap

exit status: 0 nothing to find, 1 findings, 2 bad input or usage"""


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(
        prog="toprung",
        description=_ABOUT,
        epilog=_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    top.add_argument("--version", action="version", version=f"toprung {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add_parser(commands)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    words = parser().parse_args(argv)
    try:
        status: int = words.run(words)
        sys.stdout.flush()
    except ToolError as error:
        from toprung.pictures.plain import printable

        sys.stderr.write("toprung: " + "\n".join(map(printable, str(error).split("\n"))) + "\n")
        return error.exit_status
    except BrokenPipeError:
        # whoever read our output has gone; nothing may be written at exit either
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        sys.stderr.write("\ntoprung: interrupted\n")
        return INTERRUPTED
    return status


if __name__ == "__main__":
    sys.exit(main())
