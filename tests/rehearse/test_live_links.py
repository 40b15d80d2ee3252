"""Links in user space between real kernels: a flood is held to the rate, rules change while it runs."""

from __future__ import annotations

import subprocess
import sys
import time
from contextlib import contextmanager

import pytest

from toprung.errors import RehearseError
from toprung.forecast.airtime import burst_us, cell_of, waits_us
from toprung.model.site import Link, LinkKind, Standard
from toprung.rehearse.ether import Ether
from toprung.rehearse.machines import hold
from toprung.rehearse.network import check_links, configure, links_of
from toprung.rehearse.specs import LinkSpec, MachineSpec, Plan, Rule

NAMES = ("one", "two", "three")
SIZE = 1200  # octets of UDP payload
FRAME = SIZE + 8 + 20 + 14

SEND = (
    "import socket,time,sys\n"
    "s=socket.socket(socket.AF_INET,socket.SOCK_DGRAM)\n"
    "end=time.time()+float(sys.argv[2])\n"
    "while time.time()<end:\n"
    f" s.sendto(bytes({SIZE}),(sys.argv[1],7411)); time.sleep(float(sys.argv[3]))\n"
)
RECEIVE = (
    "import socket,time\n"
    "s=socket.socket(socket.AF_INET,socket.SOCK_DGRAM); s.bind(('0.0.0.0',7411))\n"
    "s.setsockopt(socket.SOL_SOCKET,socket.SO_RCVBUF,1<<22)\n"
    "print('ready',flush=True); t=[]; s.settimeout(60)\n"
    "while len(t)<100000:\n"
    " try: s.recv(65536); t.append(time.monotonic()); s.settimeout(1.0)\n"
    " except TimeoutError: break\n"
    "m=[x for x in t if t[0]+0.2<x<t[-1]-0.2]\n"
    "print(len(t),(len(m)-1)/(m[-1]-m[0]) if len(m)>1 else 0)\n"
)


@contextmanager
def network(link, machines=2, **more):
    specs = {
        name: MachineSpec(name, {"if0": [f"10.9.0.{at}/24"]}, **more)
        for at, name in enumerate(NAMES[:machines], 1)
    }
    held = {name: hold(name) for name in specs}
    link.joins = [(name, "if0") for name in specs]
    ether = Ether([link], held, specs, lambda heard: None)
    try:
        for name, spec in specs.items():
            configure(held[name], spec, {"if0"})
        yield held, ether
    finally:
        ether.close()
        for machine in held.values():
            machine.close()


def python(machine, code, *words):
    return subprocess.Popen(
        machine.inside(sys.executable, "-c", code, *map(str, words)), stdout=subprocess.PIPE, text=True
    )


def receiver(machine):
    process = python(machine, RECEIVE)
    assert process.stdout.readline() == "ready\n"
    return process


def outcome(process):
    """How many datagrams came, and how many a second in the middle."""
    count, rate = process.communicate(timeout=60)[0].split()
    return int(count), float(rate)


@pytest.mark.usefixtures("rehearsing")
def test_a_flood_is_held_to_the_declared_rate():
    with network(LinkSpec("cable", [], kind="usb", rate_bps=8e6)) as (machines, ether):
        hearing = receiver(machines["two"])
        python(machines["one"], SEND, "10.9.0.2", 2.0, 0.0002).communicate()
        count, rate = outcome(hearing)
    assert rate * FRAME * 8 == pytest.approx(8e6, rel=0.03)
    assert ether.tally["cable"]["full"] > 0
    assert count <= ether.tally["cable"]["arrived"]


@pytest.mark.usefixtures("rehearsing")
def test_stations_share_the_air():
    """Two floods towards one station, over the access point: together they get what the standard's frames
    leave, each frame sent twice, in aggregates.
    """
    wifi = LinkSpec("air", [], kind="wifi", standard="g", rate_bps=54e6, access_point=True)
    with network(wifi, machines=3) as (machines, ether):
        hearing = receiver(machines["three"])
        floods = [python(machines[n], SEND, "10.9.0.3", 2.0, 0.0003) for n in ("one", "two")]
        for flood in floods:
            flood.communicate()
        _, rate = outcome(hearing)
    cell = cell_of(Link("air", LinkKind.WIFI, (), 54e6, None, Standard.G, access_point=True))
    once_s = (burst_us(cell, (SIZE + 28,)) + waits_us(cell, (SIZE + 28,))) / 1e6
    # three ways take turns: up from each of the two, and down; a third of all turns hand a frame over, and a
    # half while this busy computer keeps one of the two from sending
    assert 0.95 / (3 * once_s) <= rate <= 1.25 / (3 * once_s)
    assert ether.tally["air"]["full"] > 0


@pytest.mark.usefixtures("rehearsing")
def test_rules_and_carrier_change_while_it_runs():
    with network(LinkSpec("cable", [])) as (machines, ether):
        came = []
        for step in (
            lambda: None,
            lambda: ether.set_rules("cable", [Rule(udp=True, receiver="two")]),
            lambda: ether.set_rules("cable", []),
            lambda: ether.set_carrier("two", "if0", False),
            lambda: ether.set_carrier("two", "if0", True),
        ):
            step()
            time.sleep(0.2)
            hearing = python(machines["two"], RECEIVE.replace("settimeout(60)", "settimeout(1.5)"))
            assert hearing.stdout.readline() == "ready\n"
            python(machines["one"], SEND, "10.9.0.2", 0.3, 0.01).communicate()
            said = hearing.communicate(timeout=20)[0].split()
            came.append(bool(said) and int(said[0]) > 5)
    assert came == [True, False, True, False, True]


def plan(**links):
    machines = {
        "one": MachineSpec("one", {"if0": ["10.9.0.1/24"], "if1": [], "lo": ["127.0.0.1/8"]}),
        "two": MachineSpec("two", {"if0": ["10.9.0.2/24"]}, joined=False),
    }
    return Plan(machines, {name: LinkSpec(name, joins) for name, joins in links.items()}, {})


def test_an_interface_on_no_link_has_one_for_itself():
    links = links_of(plan(cable=[("one", "if0")]))
    assert [(link.name, link.joins) for link in links] == [
        ("cable", [("one", "if0")]),
        ("one.if1", [("one", "if1")]),
    ]
    check_links(links)


@pytest.mark.parametrize(
    ("joins", "says"),
    [
        ([("one", "a-very-long-name")], "no link can have an interface of this name"),
        ([("one", "lo")], "no link can have"),
        ([("one", "a b")], "no link can have"),
        ([("one", "if0"), ("one", "if0")], "two links join this interface"),
    ],
)
def test_interfaces_that_linux_cannot_have(joins, says):
    with pytest.raises(RehearseError, match=says):
        check_links(links_of(plan(cable=joins)))
