"""The command line itself: light to start, documented, and clean when interrupted."""

import io
import subprocess
import sys
import time
from importlib.resources import files

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
    assert max(map(len, shown.splitlines())) <= 100


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


SITE = str(files("toprung.examples") / "fernhouse" / "site.yaml")
CAPTURE = str(files("toprung.examples") / "fernhouse" / "base.pcap.gz")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "command line: the following arguments are required: COMMAND"),
        (("forecast",), "forecast: the following arguments are required: SITE"),
        (("forecast", SITE, "--bogus"), "forecast: not understood: --bogus"),
        (("read", "--heer", "base", CAPTURE), "read: not understood: --heer"),
        (("rehearse", SITE, "more"), "rehearse: not understood: more"),
        (("forecast", SITE, "--seeds", "x"), "forecast: argument --seeds: invalid int value: 'x'"),
    ],
)
def test_words_that_are_not_understood_get_one_line(toprung, words, says):
    status, out, err = toprung(*words)
    assert (status, out) == (2, "")
    assert err.startswith(f"toprung: {says}")
    assert err.endswith("--help` says what is right\n")
    assert err.count("\n") == 1


def test_files_may_stand_behind_options(toprung):
    _, before, _ = toprung("read", SITE, CAPTURE, "--here", "base")
    _, behind, _ = toprung("read", SITE, "--here", "base", CAPTURE)
    assert behind == before


@pytest.mark.parametrize(
    ("redirected", "status", "says"),
    [
        (">&-", 0, ""),
        (">/dev/full", 2, "toprung: standard output: no space left on device; "),
        ("nowhere.yaml 2>&-", 2, ""),
        ("nowhere.yaml 2>/dev/full", 2, ""),
    ],
)
def test_a_stream_that_takes_nothing_is_no_crash(redirected, status, says):
    command = f'"{sys.executable}" -m toprung.cli.main draft --schema {redirected}'
    done = subprocess.run(["/bin/sh", "-c", command], capture_output=True, text=True)
    assert done.returncode == status
    assert done.stderr.startswith(says)
    assert "Traceback" not in done.stderr


def test_an_error_carries_no_colours_of_a_file(toprung, tmp_path):
    site = tmp_path / "site.yaml"
    site.write_text('site: "a\\e[31mb"\n')
    status, _, err = toprung("forecast", str(site))
    assert status == 2
    assert "\x1b" not in err
