"""How every command stands on the command line: a line in the list, what it is for, an example."""

from __future__ import annotations

import argparse
from typing import Any


def add_command(commands: Any, name: str, line: str, about: str, example: str) -> argparse.ArgumentParser:
    """The parser of one more command; `about` and `example` are shown as they are written."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=line,
        description=about,
        epilog=example,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    return parser
