"""The packaged example, and the command line run in this process."""

from importlib.resources import files
from pathlib import Path

import pytest

from toprung.cli.main import main

EXAMPLE = Path(str(files("toprung.examples"))) / "fernhouse"
MACHINES = ("base", "brain", "desk")


@pytest.fixture
def site_path():
    return str(EXAMPLE / "site.yaml")


@pytest.fixture
def captures():
    return [f"{machine}={EXAMPLE / machine}.pcap.gz" for machine in MACHINES]


@pytest.fixture
def toprung(capsys):
    """Run a command; returns (exit status, standard output, standard error)."""

    def run(*words):
        status = main(list(words))
        shown = capsys.readouterr()
        return status, shown.out, shown.err

    return run
