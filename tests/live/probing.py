"""A server and a prober on two machines of a lab."""

from __future__ import annotations

import json
import signal
import sys
import time
from contextlib import contextmanager

from toprung.model.probe_file import probe_results

KEY = "7KQ2M-9XH4T-ABCDE-12345"
DOMAIN = 7
COMMAND = (sys.executable, "-m", "toprung.cli.main", "probe")


@contextmanager
def serving(lab, machine, *words):
    """`toprung probe serve` on a machine; gives a function that ends it and says what it heard."""
    key, into, log = (lab.folder / f"{machine.name}.{end}" for end in ("key", "served.json", "serve.log"))
    key.write_text(KEY)
    log.unlink(missing_ok=True)
    options = ("--domain", str(DOMAIN), "--key-file", str(key), "--into", str(into), "--for", "120 s")
    process = lab.start(machine, *COMMAND, "serve", *options, *words, log=log.name)
    while "on the other machine" not in log.read_text():
        assert process.poll() is None, log.read_text()
        time.sleep(0.05)

    def served():
        process.send_signal(signal.SIGINT)
        assert process.wait(10) == 0, log.read_text()
        assert "Traceback" not in log.read_text()
        return probe_results(into.read_text(), into.name)

    try:
        yield served
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


def probed(lab, machine, target, *words, name="probe"):
    """`toprung probe TARGET` on a machine: exit status, results, faults' codes, text."""
    key, into, log = (lab.folder / f"{name}.{end}" for end in ("key", "json", "log"))
    key.write_text(KEY)
    log.unlink(missing_ok=True)
    options = ("--domain", str(DOMAIN), "--key-file", str(key), "--into", str(into), "--json")
    process = lab.start(machine, *COMMAND, target, *options, *words, log=log.name)
    status = process.wait(120)
    said = log.read_text()
    assert status in (0, 1), said
    faults = json.loads(said[said.index("{\n") :])["faults"]
    return status, probe_results(into.read_text(), into.name), [(f["severity"], f["code"]) for f in faults]


def by_use(way):
    """Port checks by what the port is for."""
    return {check.use: check for check in way.ports}
