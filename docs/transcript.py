"""Puts into the README what `toprung read` prints of the packaged example.

python docs/transcript.py
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
EXAMPLE = ROOT / "src/toprung/examples/fernhouse"
MACHINES = ("base", "brain", "desk")
BEGIN = "$ toprung read fernhouse/site.yaml base=base.pcap.gz brain=brain.pcap.gz desk=desk.pcap.gz\n"
END = "```\n"


def transcript() -> str:
    """The command's output, as a terminal that speaks UTF-8 shows it."""
    captures = [f"{machine}={EXAMPLE / machine}.pcap.gz" for machine in MACHINES]
    words = [
        sys.executable,
        "-X",
        "utf8",
        "-m",
        "toprung.cli.main",
        "read",
        str(EXAMPLE / "site.yaml"),
        *captures,
    ]
    done = subprocess.run(words, stdout=subprocess.PIPE, text=True, encoding="utf-8", check=False)
    if done.returncode > 1:
        raise SystemExit(
            f"the example cannot be read (exit status {done.returncode}); the README stays as it is"
        )
    return done.stdout


def main() -> None:
    readme = ROOT / "README.md"
    before, after = readme.read_text(encoding="utf-8").split(BEGIN)
    rest = after[after.index(END) :]
    readme.write_text(before + BEGIN + transcript() + rest, encoding="utf-8")


if __name__ == "__main__":
    main()
