"""toprung listen on networks made of namespaces, with real peers.

The truth is the peers' own doing, and what `toprung read` makes of the saved file.
"""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest
from lab import Lab

from toprung.cli.main import main

SOURCE = Path(__file__).parents[2] / "src"
SITE = """
site: fernhouse
domain: 7
machines:
  base: {interfaces: {usb0: 10.77.1.2/24}}
  brain: {interfaces: {usb0: 10.77.1.1/24}}
participants:
  driver: {machine: base, middleware: MIDDLEWARE}
  pilot: {machine: brain, middleware: cyclone}
topics:
  cart1/odom: {type: cart::Odometry, size: 720 B, rate: 20 Hz, from: driver, to: pilot, within: 100 ms,
               qos: {reliability: reliable}}
  cart1/drive: {type: cart::Drive, size: 48 B, rate: 10 Hz, from: pilot, to: driver, within: 100 ms,
                qos: {reliability: reliable}}
"""
RELIABLE = {"reliability": "reliable"}
ODOM = {"topic": "cart1/odom", "type": "cart::Odometry", "layout": "Lddds", "size": 720, "qos": RELIABLE}
DRIVE = {"topic": "cart1/drive", "type": "cart::Drive", "layout": "Ldds", "size": 48, "qos": RELIABLE}
FLOWS = ("cart1/odom driver -> pilot", "cart1/drive pilot -> driver")


class Cart:
    """Two machines on a cable; commands run on brain."""

    def __init__(self, lab, folder, middleware):
        self.lab, self.folder, self.middleware = lab, folder, middleware
        self.base, self.brain = lab.machine("base"), lab.machine("brain")
        lab.cable(self.base, "usb0", "10.77.1.2/24", self.brain, "usb0", "10.77.1.1/24")
        self.site = folder / "site.yaml"
        self.site.write_text(SITE.replace("MIDDLEWARE", middleware))

    def driver(self, **more):
        spec = {"name": "driver", "middleware": self.middleware, "domain": 7, "seconds": 60}
        return self.lab.peer(
            self.base, {**spec, "writers": [{**ODOM, "rate": 20}], "readers": [DRIVE], **more}
        )

    def pilot(self):
        spec = {"name": "pilot", "middleware": "cyclone", "domain": 7, "seconds": 60}
        return self.lab.peer(self.brain, {**spec, "writers": [{**DRIVE, "rate": 10}], "readers": [ODOM]})

    def command(self, *words):
        return self.brain.inside(sys.executable, "-m", "toprung.cli.main", "listen", str(self.site), *words)

    @contextmanager
    def listening(self, *words, on="usb0", site=True):
        """A running `listen --json-lines`; its looks can be waited for."""
        command = self.command("--on", on, "--json-lines", *words)
        command = command if site else [w for w in command if w != str(self.site)]
        with Ear(command) as ear:
            yield ear


class Ear:
    """Reads what a running listen prints."""

    def __init__(self, command):
        environment = {**os.environ, "PYTHONPATH": str(SOURCE)}
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment, text=True
        )
        self.looks = []

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()

    def next(self):
        line = self.process.stdout.readline()
        assert line, self.process.stderr.read()
        self.looks.append(json.loads(line))
        return self.looks[-1]

    def wait_for(self, what, patience_s=20.0):
        """The first look of which `what` is true."""
        end = time.monotonic() + patience_s
        while time.monotonic() < end:
            look = self.next()
            if what(look):
                return look
        raise AssertionError((states(self.looks[-1]), [look["live"]["changes"] for look in self.looks]))

    def end(self, number=signal.SIGTERM):
        """The last look, and the exit status."""
        self.process.send_signal(number)
        rest, words = self.process.communicate(timeout=20)
        assert words == ""
        self.looks += map(json.loads, rest.splitlines())
        return self.looks[-1], self.process.returncode


def states(look):
    return {f"{f['topic']} {f['from']} -> {f['to']}": list(f["rungs"].values()) for f in look["flows"]}


def is_whole(look):
    """Both flows up to where one machine can see: how old samples arrive elsewhere does not show here."""
    held = ["held"] * 6
    return states(look) == {FLOWS[0]: held, FLOWS[1]: [*held[:5], "unseen"]}


def changes(look, word):
    return [change for change in look["live"]["changes"] if word in change]


@pytest.fixture(params=["cyclone", "fast"])
def cart(request, tmp_path, tools):
    with Lab(tmp_path, tools) as lab:
        yield Cart(lab, tmp_path, request.param)


@pytest.fixture
def cyclone_cart(tmp_path, tools):
    with Lab(tmp_path, tools) as lab:
        yield Cart(lab, tmp_path, "cyclone")


def ladder_of(capsys, *words):
    status = main(["read", *map(str, words), "--json"])
    return states(json.loads(capsys.readouterr().out)), status


def test_the_live_ladder_is_the_one_of_the_saved_file(cart, tmp_path, capsys):
    saved = tmp_path / "saved.pcapng"
    with cart.listening("--save", str(saved)) as ear:
        time.sleep(1.0)
        cart.driver(), cart.pilot()
        ear.wait_for(is_whole)
        midway, _ = ladder_of(capsys, cart.site, f"brain={saved}")  # while it is written
        assert set(midway) == set(FLOWS)
        ear.wait_for(lambda look: look["live"]["seconds"] > 8)
        last, status = ear.end()
    assert (states(last), status) == ladder_of(capsys, cart.site, f"brain={saved}")
    assert (states(last), status) == ladder_of(capsys, cart.site, saved, "--here", "brain")
    assert (is_whole(last), status) == (True, 0)
    assert last["live"]["dropped"] == 0
    assert last["toprung"] == 1
    assert last["kind"] == "observed"
    came = [change for look in ear.looks for change in changes(look, " came")]
    assert sorted(came) in ([], ["driver at base: came", "pilot at brain: came"])  # [] if at the first look


def test_who_begins_to_listen_late_cannot_see_what_was_said_before(cyclone_cart):
    cart = cyclone_cart
    cart.driver(), (pilot := cart.pilot())
    end = time.monotonic() + 20
    while time.monotonic() < end and pilot.counts()["received"].get("cart1/odom", 0) < 20:
        time.sleep(0.2)
    time.sleep(4.0)  # introductions are repeated at first
    with cart.listening() as declared, cart.listening(site=False) as ear:
        ear.wait_for(lambda look: look["live"]["seconds"] > 4)
        last, status = ear.end(signal.SIGINT)
        assert (last["flows"], status) == ([], 0)  # no topic has a name; nothing to find
        last, status = declared.end()
    assert status == 0
    for flow, rungs in states(last).items():  # what is acknowledged must have been introduced
        assert rungs[:2] == ["held", "held"], flow
        assert "broken" not in rungs, flow


def test_a_late_comer_makes_everybody_introduce_itself(cart):
    cart.driver(), (pilot := cart.pilot())
    end = time.monotonic() + 20
    while time.monotonic() < end and pilot.counts()["received"].get("cart1/odom", 0) < 20:
        time.sleep(0.2)
    time.sleep(4.0)
    with cart.listening("--join", "--domain", "7", site=False) as ear:
        look = ear.wait_for(lambda look: len(look["flows"]) == 2)
        assert look["live"]["seconds"] < 5
        for flow in look["flows"]:
            assert list(flow["rungs"].values())[:4] == ["held"] * 4
        ear.wait_for(lambda look: look["live"]["seconds"] > 12)  # it has left meanwhile
        strangers = [change for look in ear.looks for change in changes(look, "toprung")]
        assert strangers == []
        ear.process.send_signal(signal.SIGTERM)
        assert ear.process.wait(20) == 0
    with cart.listening("--join") as ear:
        assert is_whole(ear.wait_for(is_whole))
        assert ear.looks[-1]["live"]["seconds"] < 5


def test_a_killed_participant_lapses_at_its_lease(cart):
    with cart.listening() as ear:
        time.sleep(1.0)
        driver, _ = cart.driver(lease=6.0), cart.pilot()
        whole = ear.wait_for(is_whole)["live"]["seconds"]
        ear.wait_for(lambda look: look["live"]["seconds"] > whole + 2)  # its habit shows
        killed = time.time()
        driver.signal(signal.SIGKILL)
        lapsed = ear.wait_for(lambda look: changes(look, "lapsed"))
        assert changes(lapsed, "driver at base: lapsed, its lease of 6 s ran out")
        assert abs(lapsed["live"]["time"] - killed - 6.0) < 1.5  # a period of 0.05 s, a look a second
        last, status = ear.end()
    assert {f["cause"] for f in last["flows"]} == {"participant-lost"}, states(last)
    assert status == 1
    lost = [change for look in ear.looks for change in changes(look, "heard held -> broken")]
    assert sorted(lost) == sorted(f"{flow}: heard held -> broken (participant-lost)" for flow in FLOWS)


def test_one_that_leaves_and_one_that_comes_back(cyclone_cart):
    cart = cyclone_cart
    with cart.listening() as ear:
        time.sleep(1.0)
        driver, _ = cart.driver(), cart.pilot()
        ear.wait_for(is_whole)
        driver.signal(signal.SIGTERM)
        ear.wait_for(lambda look: changes(look, "driver at base: left, with a goodbye"))
        cart.driver()
        ear.wait_for(lambda look: changes(look, "driver at base: came"))
        ear.wait_for(is_whole)


def test_the_interface_goes_and_comes_back(cyclone_cart):
    cart = cyclone_cart
    cart.driver(), cart.pilot()
    with cart.listening() as ear:
        ear.wait_for(lambda look: look["live"]["seconds"] > 2)
        cart.brain.run("ip", "link", "set", "usb0", "down")
        down = ear.wait_for(lambda look: changes(look, "usb0 is down"))
        assert down["live"]["interfaces"] == {"usb0": "down"}
        silent = ear.wait_for(lambda look: look["live"]["seconds"] > down["live"]["seconds"] + 2)
        assert silent["live"]["packets_per_s"] == 0
        cart.brain.run("ip", "link", "set", "usb0", "up")
        ear.wait_for(lambda look: changes(look, "usb0 is up"))
        ear.wait_for(lambda look: look["live"]["packets_per_s"] > 10)
        assert ear.end()[1] in (0, 1)


def test_a_terminal_is_drawn_over_and_left_clean(cyclone_cart):
    cart = cyclone_cart
    cart.driver(), cart.pilot()
    near, far = pty.openpty()
    environment = {**os.environ, "PYTHONPATH": str(SOURCE), "TERM": "xterm"}
    with subprocess.Popen(
        cart.command("--on", "usb0", "--for", "4s"), stdout=far, env=environment
    ) as listening:
        os.close(far)
        out = b""
        try:
            while part := os.read(near, 1 << 16):
                out += part
        except OSError:  # the terminal's other side is closed
            pass
        listening.wait(20)
    os.close(near)
    text = out.decode()
    assert text.count("\x1b[J") >= 3  # looks at 2 and 3 s, and the end
    first, *_, last = text.split("\x1b[J")
    assert "Listening on usb0 at brain." in first
    assert "packets/s" in last
    assert "1 capture" in last
    assert "\x1b[?" not in text


def test_without_a_site_the_flows_that_are_seen(cyclone_cart):
    cart = cyclone_cart
    with cart.listening(on="any", site=False) as ear:
        time.sleep(1.0)
        cart.driver(), cart.pilot()
        look = ear.wait_for(lambda look: len(look["flows"]) == 2)
        assert {f["topic"] for f in look["flows"]} == {"cart1/odom", "cart1/drive"}
        assert look["site"] is None
        ear.end()


def test_silence_is_said(cyclone_cart):
    done = subprocess.run(
        cyclone_cart.command("--on", "usb0", "--for", "1s"),
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(SOURCE)},
        timeout=30,
    )
    assert done.returncode == 2
    assert "usb0: no RTPS was heard in 1 s" in done.stderr
    assert done.stderr.count("\n") == 1
