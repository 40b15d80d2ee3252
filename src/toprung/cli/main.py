"""toprung: the command line.

Exit status 0: nothing to find; 1: findings; 2: our input or the command is unusable.  Heavy libraries are
imported by the commands that need them, when they run.
"""

from __future__ import annotations

import argparse
import errno
import os
import sys
from collections.abc import Sequence
from typing import NoReturn, TextIO

from toprung import __version__
from toprung.cli import draft, forecast, listen, probe, read, rehearse, report, serve
from toprung.errors import ToolError, UsageError

COMMANDS = (forecast, read, listen, probe, rehearse, report, serve, draft)
INTERRUPTED = 130  # 128 + SIGINT, as shells count

_ABOUT = """Says why a robot's DDS topics do not arrive, and what to change.

Every flow (one writer, one reader, one topic) climbs six rungs: path, heard, introduced, matched,
flowing, timely. The first broken rung is the reason why it does not work."""

_EXAMPLE = """example:
  toprung read site.yaml base=base.pcap desk=desk.pcap

exit status: 0 nothing to find, 1 findings, 2 bad input or usage"""


class _Parser(argparse.ArgumentParser):
    """A command line whose error is one line like every other."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(message, _where(self.prog), f"`{self.prog} --help` says what is right")


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = _Parser(
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


def _where(prog: str) -> str:
    return prog.partition(" ")[2] or "command line"


def words_of(argv: Sequence[str] | None) -> argparse.Namespace:
    """The command and its words; files may stand behind options, too.  Raises UsageError."""
    words, rest = parser().parse_known_args(argv)
    if rest and (any(word.startswith("-") for word in rest) or not hasattr(words, "inputs")):
        command = f"toprung {words.command}"
        strange = " ".join([word for word in rest if word.startswith("-")] or rest)
        raise UsageError(
            f"not understood: {strange}", words.command, f"`{command} --help` says what is right"
        )
    if rest:
        words.inputs = [*words.inputs, *rest]
    return words


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    _open_missing()
    try:
        words = words_of(argv)
        status: int = words.run(words)
        sys.stdout.flush()
    except ToolError as error:
        return _failed(error)
    except BrokenPipeError:
        # whoever read our output has gone; nothing may be written at exit either
        _forget(sys.stdout)
        return 0
    except OSError as error:
        if error.filename is not None or not _is_full(error):
            raise
        _forget(sys.stdout)
        why = (error.strerror or "cannot be written").lower()
        return _failed(UsageError(why, "standard output", "a place that takes the output would be right"))
    except KeyboardInterrupt:
        sys.stderr.write("\ntoprung: interrupted\n")
        return INTERRUPTED
    return status


def _failed(error: ToolError) -> int:
    from toprung.pictures.plain import printable

    try:
        lines = (printable(line.replace("\x1b", "?")) for line in str(error).split("\n"))  # no colours either
        sys.stderr.write("toprung: " + "\n".join(lines) + "\n")
        sys.stderr.flush()
    except OSError:  # nobody is to be told; the exit status still tells
        _forget(sys.stderr)
    return error.exit_status


def _open_missing() -> None:
    """A stream that the caller closed takes what is written and drops it, and has nothing to read."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115 - stays open


def _forget(stream: TextIO) -> None:
    """What is still to be written there goes nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _is_full(error: OSError) -> bool:
    return error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)


if __name__ == "__main__":
    sys.exit(main())
