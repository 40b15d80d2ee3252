"""However a rehearsal ends, nothing is left: no process, no namespace, no file, no handle."""

from __future__ import annotations

import gc
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tests.rehearse.traces import alive, descendants, namespaces, processes, wait_until
from toprung.errors import RehearseError
from toprung.live.leftovers import MARKER, REHEARSAL, temporary_folder
from toprung.model.site_file import load_site
from toprung.rehearse.plan import plan_of
from toprung.rehearse.run import Rehearsal

SITE = """
site: fernhouse
machines:
  base: {interfaces: {eth0: 10.77.1.2/24}}
  brain: {interfaces: {eth0: 10.77.1.1/24}}
links: {cable: {kind: ethernet, joins: [base.eth0, brain.eth0], rate: 100 Mbit/s}}
participants: {driver: {machine: base, middleware: cyclone}, pilot: {machine: brain, middleware: fast}}
topics: {cart1/odom: {type: cart::Odometry, rate: 20 Hz, from: driver, to: pilot}}
"""


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A folder for temporary files of this test alone."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    (tmp_path / "site.yaml").write_text(SITE)
    return tmp_path


def command(place, *words):
    return subprocess.Popen(
        [sys.executable, "-m", "toprung.cli.main", "rehearse", str(place / "site.yaml"), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def in_the_middle(running):
    """Wait until everything runs; its processes and their namespaces."""

    def everything():
        words = [Path(f"/proc/{pid}/cmdline").read_bytes() for pid in alive(descendants(running.pid))]
        return all(any(part in w for w in words) for part in (b"peer_fast", b"peer_cyclone", b"recorder"))

    assert wait_until(everything, 60), running.stderr.read()
    known = descendants(running.pid)
    return known, namespaces(list(known))


@pytest.mark.usefixtures("rehearsing")
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
def test_nothing_is_left_whatever_ends_it(place, number):
    running = command(place, "--for", "60s")
    known, spaces = in_the_middle(running)
    assert len(known) >= 6
    assert len(spaces) == 2 * 4  # two machines
    running.send_signal(number)
    _, words = running.communicate(timeout=20)
    assert wait_until(lambda: not alive(known), 5), alive(known)
    assert not spaces & namespaces(processes())
    if number == signal.SIGINT:
        assert running.returncode == 130
        assert "Traceback" not in words
    if number != signal.SIGINT:  # the next one tidies up
        with temporary_folder(REHEARSAL):
            pass
    assert not list(place.glob(REHEARSAL + "*"))


def test_only_what_is_provably_left_is_removed(place):
    with temporary_folder(REHEARSAL) as ours:
        strangers = {
            "unmarked": "",
            "unreadable": "no JSON",
            "somebody": f'{{"pid": {os.getppid()}, "begun": "1", "boot": "0"}}',
        }
        for name, marker in strangers.items():
            folder = place / (REHEARSAL + name)
            folder.mkdir()
            if marker:
                (folder / MARKER).write_text(marker)
        with temporary_folder(REHEARSAL):
            pass
        assert ours.is_dir()
        left = {p.name.removeprefix(REHEARSAL) for p in place.glob(REHEARSAL + "*")} - {
            ours.name.removeprefix(REHEARSAL)
        }
    assert left == {"unmarked", "unreadable"}  # of "somebody", the process has another start
    assert not ours.exists()


def rehearse_shortly():
    with Rehearsal(plan_of(load_site(SITE, "site.yaml"), seconds=0.6)) as rehearsal:
        rehearsal.wait()
    return rehearsal.counts()


def held():
    """Handles, threads and pages of this process, and processes below it."""
    gc.collect()
    resident = int(Path("/proc/self/statm").read_text().split()[1])
    handles = len(os.listdir("/proc/self/fd"))
    return handles, threading.active_count(), len(descendants(os.getpid())), resident


@pytest.mark.usefixtures("rehearsing")
def test_ten_in_a_row_leak_nothing(place):
    rehearse_shortly()
    *before, pages = held()
    for _ in range(10):
        assert set(rehearse_shortly()) == {"driver", "pilot"}
    *after, more = held()
    assert after == before
    assert more - pages < 500  # pages of 4 KiB
    assert not list(place.glob(REHEARSAL + "*"))


@pytest.mark.usefixtures("rehearsing")
def test_a_failure_at_the_beginning_leaves_nothing(place):
    plan = plan_of(load_site(SITE, "site.yaml"), seconds=5)
    plan.machines["brain"].filters.append("no such rule")
    before = held()[:3]
    with pytest.raises(RehearseError), Rehearsal(plan):
        pass
    assert held()[:3] == before
    assert not list(place.glob(REHEARSAL + "*"))
