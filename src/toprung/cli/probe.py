"""toprung probe: active checks between two machines; one serves, the other probes."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from toprung.cli.command import add_command

if TYPE_CHECKING:
    from toprung.diagnose.probe_faults import ProbeFault
    from toprung.live.probing.ask import Plan
    from toprung.model.finding import Finding
    from toprung.model.probe import ProbeResults, Served
    from toprung.model.site import Site

SERVE = "serve"

_ABOUT = """Tries what passes between two machines, without any middleware: on one of them run
"toprung probe serve", on the other "toprung probe TARGET". Unicast and multicast on the domain's
own ports both ways, the greatest datagram with and without fragments, loss, delays, the clocks'
difference and drift; with --as SITE also bursts like those of the topics declared between the two.

The server prints a key; without it, it answers nobody. It never answers with more than it was
sent, it sends one small multicast a second as a sign of life, and it ends by itself. A probe loads
the way like a busy topic for some seconds: let nothing drive on that network meanwhile."""

_EXAMPLE = """examples:
  toprung probe serve --domain 7                     on base, prints the key
  toprung probe 10.77.1.2 --domain 7                 on brain, asks for the key
  toprung probe 10.77.1.2 --as site.yaml --into brain-base.json
  toprung read site.yaml brain=brain.pcap --probe brain-base.json

The key is asked for on a terminal, or read from --key-file or from the variable
TOPRUNG_PROBE_KEY.

exit status: 0 everything passes, 1 something does not, 2 bad input or usage"""


def add_parser(commands: Any) -> None:
    parser = add_command(commands, "probe", "active checks between two machines", _ABOUT, _EXAMPLE)
    parser.add_argument(
        "target", metavar="serve | TARGET[:PORT]", help='"serve", or the address of a machine that serves'
    )
    parser.add_argument("--domain", type=int, metavar="N", help="the DDS domain (default: the site's, or 0)")
    parser.add_argument(
        "--as", dest="site", metavar="SITE", help="a site file: its domain, and bursts like its topics'"
    )
    parser.add_argument("--key-file", metavar="FILE", help="read the key here")
    parser.add_argument("--into", metavar="FILE", help="write the results here, for read and listen --probe")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    serving = parser.add_argument_group("serving")
    serving.add_argument(
        "--for", dest="total", metavar="TIME", default="60 min", help="end after so long (default: 60 min)"
    )
    serving.add_argument(
        "--idle", metavar="TIME", default="10 min", help="end when nobody came for so long (default: 10 min)"
    )
    serving.add_argument(
        "--on", action="append", metavar="NIC", help="multicast on this interface only (may be repeated)"
    )
    serving.add_argument(
        "--towards", action="append", metavar="HOST", help="send it signs of life by unicast, too"
    )
    probing = parser.add_argument_group("probing")
    probing.add_argument(
        "--packets",
        type=int,
        default=2000,
        metavar="N",
        help="datagrams to count losses with (default: 2000)",
    )
    probing.add_argument("--rate", default="400 Hz", metavar="RATE", help="at this rate (default: 400 Hz)")
    probing.add_argument("--burst", default="5 s", metavar="TIME", help="bursts of --as last (default: 5 s)")
    parser.set_defaults(run=run)


def run(words: argparse.Namespace) -> int:
    """Exit status 1 where something does not pass."""
    from toprung.cli.inputs import read_site
    from toprung.errors import LiveError

    if sys.platform != "linux":
        says = "a machine that runs Linux would be right"
        raise LiveError("probing needs socket options that only Linux has", "toprung probe", says)
    site = None if words.site is None else read_site(words.site)
    domain = words.domain if words.domain is not None else site.domain if site is not None else 0
    _check_domain(domain)
    return _serve(words, domain) if words.target == SERVE else _probe(words, domain, site)


def _check_domain(domain: int) -> None:
    from toprung.errors import UsageError
    from toprung.wire.ports import LAST_DOMAIN

    if not 0 <= domain <= LAST_DOMAIN:
        raise UsageError(
            "there is no such domain", f"--domain {domain}", f"0 to {LAST_DOMAIN} would be right"
        )


def _serve(words: argparse.Namespace, domain: int) -> int:
    import signal

    from toprung.cli.probe_key import given_key
    from toprung.cli.quantities import seconds
    from toprung.live.probing.keys import new_key
    from toprung.live.probing.limits import Limits
    from toprung.live.probing.serve import Order, open_server
    from toprung.pictures.probe_text import served_text

    limits = Limits(idle_s=seconds(words.idle, "--idle"), total_s=seconds(words.total, "--for"))
    given = given_key(words.key_file)
    key = given or new_key()
    order = Order(key, domain, limits, _interfaces(words.on or ()), tuple(words.towards or ()))
    say = sys.stderr if words.json else sys.stdout
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with open_server(order) as server:
        shown = key if given is None else "the one that you gave"
        say.write(_invitation(server.addresses, server.ports, shown, order, words))
        say.flush()
        try:
            ended = server.run(lambda line: _said(say, line))
        except KeyboardInterrupt:
            ended = "interrupted"
        served = server.served(_label(words, "serve"))
    _said(sys.stderr, f"ended: {ended}")
    _write(words, served)
    sys.stdout.write(_json(served) if words.json else served_text(served))
    return 0


def _invitation(
    addresses: tuple[str, ...], ports: tuple[str, ...], key: str, order: Any, words: argparse.Namespace
) -> str:
    lines = [
        f"serving probes of domain {order.domain}, for {words.total} at most, {words.idle} without anybody",
        *(f"  {line}" for line in ports),
        f"  key: {key}",
        "on the other machine:",
        *(f"  toprung probe {address} --domain {order.domain}" for address in addresses),
    ]
    return "\n".join(lines) + "\n"


def _probe(words: argparse.Namespace, domain: int, site: Site | None) -> int:
    from toprung.cli.probe_key import asked_key, given_key
    from toprung.diagnose.probe_faults import path_faults
    from toprung.live.probing.ask import probe
    from toprung.live.probing.prober import open_prober
    from toprung.model.finding import Severity
    from toprung.pictures.probe_text import probe_text

    host, number = _address(words.target)
    key = given_key(words.key_file) or asked_key()
    status = _Status(host)
    with open_prober(host, number, domain, key) as prober:
        plan = _plan(words, site, prober.target.nic.address, prober.target.host)
        results = probe(prober, plan, _label(words, f"probe of {host}"), status)
    status.clear()
    near, far = _names(site, results)
    faults = path_faults(results, near, far)
    late = () if site is None else _late(site, results)
    _write(words, results)
    if words.json:
        sys.stdout.write(_json(results, (*faults, *late)))
    else:
        sys.stdout.write(probe_text(results, (*faults, *late), near, far))
    sound = results.answered and not late and all(f.severity is Severity.NOTE for f in faults)
    return 0 if sound else 1


def _late(site: Site, results: ProbeResults) -> tuple[Finding, ...]:
    """What the probe means for the time that the site's flows may take."""
    from toprung.diagnose import diagnose
    from toprung.model.ladder import Rung
    from toprung.model.picture import NOTHING

    found = diagnose(site, NOTHING, probes=(results,)).findings
    return tuple(f for f in found if f.rung is Rung.TIMELY)


def _plan(words: argparse.Namespace, site: Site | None, near: str, far: str) -> Plan:
    from toprung.cli.quantities import quantity, seconds
    from toprung.errors import UsageError
    from toprung.live.probing.ask import Plan
    from toprung.live.probing.bursts import bursts_of
    from toprung.model.units import RATE

    if not 10 <= words.packets <= 1_000_000:
        raise UsageError("out of range", f"--packets {words.packets}", "10 to 1000000 would be right")
    rate, burst_s = quantity(words.rate, RATE, "--rate"), seconds(words.burst, "--burst")
    if site is None:
        return Plan(words.packets, rate, burst_s=burst_s)
    here, there = site.machine_at(near), site.machine_at(far)
    for machine, address in ((here, near), (there, far)):
        if machine is None:
            known = ", ".join(m.name for m in site.machines)
            raise UsageError(
                f"no machine of the site has the address {address}",
                words.site,
                f"one of {known} would be right",
            )
    assert here is not None
    assert there is not None
    bursts, left_out = bursts_of(site, here.name, there.name)
    return Plan(words.packets, rate, burst_s=burst_s, bursts=bursts, left_out=left_out)


def _names(site: Site | None, results: ProbeResults) -> tuple[str, str]:
    """What the two are called: by the site, by themselves, by their addresses."""
    from toprung.model.probe import named

    near, far = (named(site, party) for party in (results.near, results.far))
    if near == far:
        return results.there.sender, results.there.receiver
    return near, far


def _address(target: str) -> tuple[str, int]:
    from toprung.errors import UsageError

    host, _, number = target.partition(":")
    if not host or (number and not (number.isdecimal() and 0 < int(number) < 65536)):
        raise UsageError("this is no address", target, "would be right: 10.77.1.2, or 10.77.1.2:9160")
    return host, int(number or 0)


def _interfaces(names: Any) -> tuple[str, ...]:
    from toprung.errors import UsageError
    from toprung.live.probing.sockets import nics

    known = dict.fromkeys(n.interface for n in nics())
    for name in names:
        if name not in known:
            raise UsageError(
                "no such interface with an IPv4 address",
                f"--on {name}",
                f"would be right: {', '.join(known)}",
            )
    return tuple(names)


def _label(words: argparse.Namespace, otherwise: str) -> str:
    return os.path.basename(words.into) if words.into else otherwise


def _write(words: argparse.Namespace, results: ProbeResults | Served) -> None:
    from toprung.cli.output import write_text
    from toprung.model.probe_file import results_text

    if words.into:
        write_text(words.into, results_text(results))


def _json(results: ProbeResults | Served, faults: Sequence[ProbeFault | Finding] = ()) -> str:
    import json
    from dataclasses import asdict

    from toprung.model.probe_file import probe_data

    return json.dumps({**probe_data(results), "faults": [asdict(f) for f in faults]}, indent=1) + "\n"


def _said(stream: Any, line: str) -> None:
    stream.write(line + "\n")
    stream.flush()


class _Status:
    """What is going on, on stderr: on a terminal a line that is written over, elsewhere one for each step."""

    def __init__(self, host: str) -> None:
        self.host = host
        self.step = ""
        self.next_s = 0.0
        self.terminal = sys.stderr.isatty()

    def __call__(self, step: str, done: float) -> None:
        now = time.monotonic()
        if step == self.step and (not self.terminal or now < self.next_s):
            return
        self.step, self.next_s = step, now + 0.2
        line = f"probing {self.host}: {step}" + (f" {done:.0%}" if done else "")
        sys.stderr.write(f"\r{line}\x1b[K" if self.terminal else f"{line}\n")
        sys.stderr.flush()

    def clear(self) -> None:
        """Take the line away."""
        if self.terminal and self.step:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
