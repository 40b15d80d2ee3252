"""The command line itself: light to start, documented, and clean when interrupted."""

import io
import subprocess
import sys
import time

import pytest

from toprung.cli import main as top
from toprung.cli.progress import Progress, Waiting

HEAVY = ("numpy", "scipy", "pydantic", "yaml", "zstandard", "json")


def test_starting_imports_nothing_heavy():
    code = "import sys, toprung.cli.main as m; m.parser(); print(' '.join(sys.modules))"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert not set(HEAVY) & set(loaded)


def least_seconds(*words):
    times = []
    for _ in range(5):
        start = time.perf_counter()
        subprocess.run([sys.executable, *words], check=True, capture_output=True)
        times.append(time.perf_counter() - start)
    return min(times)


def test_help_starts_within_an_eighth_of_a_second_of_bare_python():
    assert least_seconds("-m", "toprung.cli.main", "--help") - least_seconds("-c", "pass") < 0.12


@pytest.mark.parametrize("command", top.COMMANDS, ids=lambda c: c.__name__.rpartition(".")[2])
def test_every_command_has_help_with_an_example_and_json(command, capsys):
    name = command.__name__.rpartition(".")[2]
    with pytest.raises(SystemExit) as stopped:
        top.main([name, "--help"])
    shown = capsys.readouterr().out
    assert stopped.value.code == 0
    assert f"toprung {name} " in shown.split("example", 1)[1]
    assert "--json" in shown


def test_an_interrupt_is_one_line(monkeypatch, capsys):
    def interrupted(words):
        raise KeyboardInterrupt

    monkeypatch.setattr("toprung.cli.read.run", interrupted)
    assert top.main(["read", "x.pcap"]) == 130
    assert capsys.readouterr().err == "\ntoprung: interrupted\n"


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_progress_waits_a_second_and_then_writes_over_its_line():
    now = [0.0]
    stream = Terminal()
    progress = Progress("base.pcap", 200_000_000, stream, lambda: now[0])
    for now[0], done in ((0.5, 10_000_000), (1.5, 50_000_000), (1.6, 60_000_000), (2.0, 100_000_000)):
        progress(done)
    progress.clear()
    assert stream.getvalue() == (
        "\rreading base.pcap: 50 MB of 200 MB (25%)\x1b[K"
        "\rreading base.pcap: 100 MB of 200 MB (50%)\x1b[K"
        "\r\x1b[K"
    )


def test_progress_elsewhere_is_a_line_every_ten_seconds():
    now = [0.0]
    stream = io.StringIO()
    progress = Progress("pipe", None, stream, lambda: now[0])
    for now[0], done in ((9.0, 1), (10.5, 2_000_000), (12.0, 3), (21.0, 4_000_000)):
        progress(done)
    progress.clear()
    assert stream.getvalue() == "reading pipe: 2 MB\nreading pipe: 4 MB\n"


def test_work_that_takes_long_shows_its_time_and_takes_it_away():
    stream, now = Terminal(), [0.0]

    def clock():
        now[0] += 0.6
        return now[0]

    with Waiting("forecasting site.yaml", stream, clock) as waiting:
        while not waiting.shown:
            time.sleep(0.01)
    shown = stream.getvalue()
    assert "\rforecasting site.yaml: " in shown
    assert shown.endswith("\r\x1b[K")
