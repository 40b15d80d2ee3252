"""toprung serve: it begins, answers, and ends when it is told."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
from contextlib import contextmanager

import httpx2
import pytest

PATIENCE_S = 30


@contextmanager
def serving(*words):
    """The command in a process of its own, and the address that it prints."""
    command = [sys.executable, "-m", "toprung.cli.main", "serve", "--port", "0", "--json", *words]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        yield process, json.loads(process.stdout.readline())["address"]
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
        assert (out, err) == ("", "")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_shows_what_it_was_given_and_ends_when_told(number, site_path, captures):
    with serving(site_path, *captures) as (process, address):
        answer = httpx2.get(f"{address}site", timeout=PATIENCE_S)
        assert "fernhouse" in answer.text
        assert "desk.pcap.gz" in answer.text
        with httpx2.stream("GET", f"{address}events") as waiting:  # a page that is open does not hold it up
            next(waiting.iter_lines())
            process.send_signal(number)
            assert process.wait(PATIENCE_S) in (0, -number)


def test_on_another_address_only_with_the_token():
    with serving("--host", "127.0.0.2") as (_, address):
        bare, _, token = address.partition("?")
        assert token.startswith("token=")
        assert httpx2.get(f"{bare}site").status_code == 401
        with httpx2.Client(follow_redirects=True) as client:
            assert client.get(address).status_code == 200
            assert client.get(f"{bare}ladder").status_code == 200


def test_a_port_that_is_taken_is_one_line(toprung):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        status, out, err = toprung("serve", "--port", str(taken.getsockname()[1]))
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "another --port may be free" in err


@pytest.mark.parametrize("port", ["-1", "70000"])
def test_a_port_that_cannot_be_is_one_line(port, toprung):
    status, _, err = toprung("serve", f"--port={port}")
    assert (status, err.count("\n")) == (2, 1)


def test_a_faulty_site_is_told_before_anything_is_served(toprung, tmp_path):
    site = tmp_path / "site.yaml"
    site.write_text("site: fernhouse\ntopics: {a: {rate: 5}}\n")
    status, out, err = toprung("serve", str(site))
    assert (status, out) == (2, "")
    assert "5 has no unit" in err


@pytest.mark.parametrize(
    ("content", "says"), [(b"", "it is empty"), (b"\0\1no capture", "this is not a capture")]
)
def test_what_is_no_capture_is_refused(toprung, tmp_path, content, says):
    path = tmp_path / "robot.pcap"
    path.write_bytes(content)
    status, out, err = toprung("serve", str(path), "--port", "0")
    assert (status, out) == (2, "")
    assert err == f"toprung: {path}: {says}; a pcap or pcapng capture would be right\n"
