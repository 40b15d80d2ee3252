"""A bench with the packaged example on it, and a page to ask."""

from __future__ import annotations

import time
from importlib.resources import files
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from toprung.web.app import create_app
from toprung.web.bench import Bench
from toprung.web.guard import FORGERY_HEADER, guard_of

EXAMPLE = Path(str(files("toprung.examples").joinpath("fernhouse")))
MACHINES = ("base", "brain", "desk")


def read_to_the_end(bench: Bench) -> None:
    """Wait until the captures are read."""
    end = time.monotonic() + 20
    while bench.reading is not None and bench.reading.running:
        assert time.monotonic() < end, "the captures are not read"
        time.sleep(0.01)


def laid_out(folder: Path) -> Bench:
    """A bench with the packaged site and its captures, read."""
    bench = Bench(folder)
    bench.put_site((EXAMPLE / "site.yaml").read_text(), "site.yaml")
    for machine in MACHINES:
        bench.put_capture(f"{machine}.pcap.gz", EXAMPLE / f"{machine}.pcap.gz", machine, ours=False)
    bench.read_again()
    read_to_the_end(bench)
    return bench


@pytest.fixture
def empty(tmp_path):
    bench = Bench(tmp_path / "page")
    yield bench
    bench.close()


@pytest.fixture
def bench(tmp_path):
    bench = laid_out(tmp_path / "page")
    yield bench
    bench.close()


def asking(bench: Bench) -> TestClient:
    """A client as the page itself asks."""
    guard = guard_of("127.0.0.1")
    return TestClient(
        create_app(bench, guard), base_url="http://127.0.0.1", headers={FORGERY_HEADER: guard.forgery}
    )
