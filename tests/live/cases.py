"""The corpus's cases: one fault each, or none, on the cart of `plan`.

A case names the flows that its fault breaks; `shaky` flows are touched and not judged.  An edit changes
what really runs, never what the site file declares, except where the site itself is another one.
"""

from __future__ import annotations

import signal
from collections.abc import Callable
from dataclasses import dataclass, field

from plan import LAYOUTS, Declared, Plan, Run, add_participant, end, pause
from relay import bridge_in_relay

ALL = ("odom", "battery", "drive", "scan", "image", "beds", "goal")
DESK = ("scan", "image", "beds", "goal")  # flows between the desk and the companion
BASE = ("odom", "battery", "drive")
NAV = ("odom", "battery", "drive", "scan", "beds", "goal")
Edit = Callable[[Plan], None]
MULTICAST = "ip daddr 224.0.0.0/4"


@dataclass(frozen=True)
class Case:
    """One run and its truth."""

    id: str
    what: str
    middleware: str
    edits: tuple[Edit, ...] = ()
    rung: tuple[str, ...] = ()
    cause: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    shaky: tuple[str, ...] = ()
    usb: bool = False
    moving: bool = False  # broken flows may still deliver some samples
    extra: dict = field(default_factory=dict)


def _healthy(name: str, what: str, middleware: str, *edits: Edit, **more) -> Case:
    return Case(f"h_{name}", f"healthy, {what}", middleware, edits, **more)


def _case(name: str, what: str, middleware: str, rung: str, cause: str, broken, *edits: Edit, **more) -> Case:
    return Case(name, what, middleware, edits, tuple(rung.split()), tuple(cause.split()), tuple(broken), **more)


# -- what an edit can do ------------------------------------------------------------------------------


def set_(**values) -> Edit:
    return lambda plan: [setattr(plan, k, v) for k, v in values.items()]


def spec(name: str, /, **values) -> Edit:
    return lambda plan: plan.participants[name].update(values)


def writer(topic: str, /, **values) -> Edit:
    return lambda plan: plan.writer(topic).update(values)


def reader(topic: str, /, **values) -> Edit:
    return lambda plan: plan.reader(topic).update(values)


def writer_qos(topic: str, /, **values) -> Edit:
    return lambda plan: plan.writer(topic)["qos"].update(values)


def reader_qos(topic: str, /, **values) -> Edit:
    return lambda plan: plan.reader(topic)["qos"].update(values)


def both_qos(topic: str, /, **values) -> Edit:
    """Declared too."""

    def edit(plan):
        plan.topic(topic).qos.update(values)
        plan.writer(topic)["qos"].update(values)
        plan.reader(topic)["qos"].update(values)

    return edit


def air(*rules: str) -> Edit:
    """Rules on what the access point passes between stations."""
    return lambda plan: plan.faults.append(lambda run: run.machine("ap").nft(*rules, family="bridge", hook="forward"))


def firewall(machine: str, *rules: str, hook: str = "input") -> Edit:
    return lambda plan: plan.faults.append(lambda run: run.machine(machine).nft(*rules, hook=hook))


def at(seconds: float, what: Callable[[Run], None]) -> Edit:
    return lambda plan: plan.events.append((seconds, what))


def before(what: Callable[[Run], None]) -> Edit:
    return lambda plan: plan.faults.append(what)


def link(machine: str, interface: str, state: str) -> Callable[[Run], None]:
    return lambda run: run.machine(machine).run("ip", "link", "set", interface, state)


def air_at(seconds: float, *rules: str) -> Edit:
    return at(seconds, lambda run: run.machine("ap").nft(*rules, family="bridge", hook="forward"))


def calm_at(seconds: float) -> Edit:
    return at(seconds, lambda run: run.machine("ap").calm())


def start_at(seconds: float, name: str) -> Edit:
    def edit(plan):
        plan.participants[name]["later"] = True
        plan.events.append((seconds, lambda run: run.start(name)))

    return edit


def everywhere(**values) -> Edit:
    return lambda plan: [s.update(values) for s in plan.participants.values()]


def on(machine: str, **values) -> Edit:
    return lambda plan: [s.update(values) for s in plan.participants.values() if s["machine"] == machine]


def peers(*missing: tuple[str, str]) -> Edit:
    """Everybody finds everybody by lists of addresses, except (machine, address of machine) pairs."""

    def edit(plan):
        for s in plan.participants.values():
            here = s["machine"]
            others = [m for m in ("cartbase", "cartbrain", "desk") if (here, m) not in missing]
            s["mode"] = "peers"
            s["peers"] = [plan.address(m, i) for m in others for i in plan.interfaces(m)]

    return edit


def server(port: int = 11811, run_it: bool = True, said_port: int = 0) -> Edit:
    """A discovery server on the companion; the site declares it."""

    def edit(plan):
        address = plan.address("cartbrain", "wlan0")
        for name, s in plan.participants.items():
            s.update(mode="server", server=f"{address}:{said_port or port}")
            plan.declared[name]["discovery"] = f"{{server: '{address}:{said_port or port}'}}"
        if run_it:
            plan.faults.append(lambda run: run.lab.server(run.machine("cartbrain"), address, port))

    return edit


def aux(count: int, library: str, rate: float = 2) -> Edit:
    """More participants, in a ring of small topics."""

    def edit(plan):
        machines = ("cartbrain", "desk", "cartbase")
        for i in range(count):
            add_participant(plan, f"aux{i}", machines[i % 3], library)
        for i in range(count):
            topic = Declared(f"cart1/aux{i}", "Battery", [f"aux{i}"], [f"aux{(i + 1) % count}"],
                             {"reliability": "reliable"}, rate, real_size=60)
            plan.topics.append(topic)
            common = {"topic": topic.name, "type": f"{plan.types}::Battery", "layout": LAYOUTS["Battery"], "size": 60}
            plan.participants[f"aux{i}"]["writers"].append({**common, "rate": rate, "qos": dict(topic.qos)})
            plan.participants[topic.reader[0]]["readers"].append({**common, "qos": dict(topic.qos)})

    return edit


def size(topic: str, octets: int) -> Edit:
    def edit(plan):
        t = plan.topic(topic)
        t.size = t.real_size = octets
        for e in (plan.writer(topic), plan.reader(topic)):
            e["size"] = octets

    return edit


def restart(name: str, seconds: float, number: int, after: float) -> Edit:
    def edit(plan):
        plan.events.append((seconds, end(name, number)))
        plan.events.append((seconds + after, lambda run: run.start(name)))

    return edit


def rival(library: str, machine: str, topic: str, name: str = "joystick", **qos) -> Edit:
    """An undeclared participant that writes a declared topic."""

    def edit(plan):
        s = add_participant(plan, name, machine, library, declare=False)
        model = plan.writer(topic)
        s["writers"].append({**model, "qos": {**model["qos"], **qos}})

    return edit


def no_endpoint(kind: str, topic: str) -> Edit:
    return lambda plan: plan.drop(kind, topic)


def clock(machine: str, seconds: float) -> Edit:
    return lambda plan: plan.clocks.update({machine: seconds})


def shaped(kilobits: int) -> Edit:
    """The air towards the desk carries no more than this."""
    return before(lambda run: run.machine("ap").run(
        "tc", "qdisc", "add", "dev", "desk", "root", "tbf", "rate", f"{kilobits}kbit", "burst", "16kb", "limit", "60kb"))


def to_brain_too(topic: str = "image") -> Edit:
    """The camera's images are also read by the navigation, on the same machine."""

    def edit(plan):
        t = plan.topic(topic)
        t.reader.append("brain_nav")
        model = plan.reader(topic)
        plan.participants["brain_nav"]["readers"].append({**model, "qos": dict(model["qos"])})

    return edit


def locators(address: str, *names: str) -> Edit:
    return lambda plan: [plan.participants[n].update(locators=[address]) for n in names]


def impostor(run: Run) -> None:
    """A second machine with the desk's address announces it to everybody, over and over."""
    guest = run.machine("guest")
    code = ("import socket,struct,time,fcntl\n"
            "s=socket.socket(17,3,0x300); s.bind(('wlan0',0x0806)); m=s.getsockname()[4]\n"
            f"a=socket.inet_aton('{run.plan.declared_address('desk', 'wlan0')}')\n"
            "while 1:\n"
            " s.send(b'\\xff'*6+m+struct.pack('>HHHBBH',0x806,1,0x800,6,4,1)+m+a+b'\\0'*6+a); time.sleep(0.7)\n")
    run.lab.others.append(run.lab.start(guest, "python3", "-c", code))


def foreign(machine: str, interface: str) -> Edit:
    """The machine comes up with an address of another subnet."""
    return lambda plan: plan.addresses.update({(machine, interface): f"10.99.{plan.seed % 200}.40"})


def duplicate_address(plan: Plan) -> None:
    plan.extra_machines["guest"] = plan.declared_address("desk", "wlan0")
    plan.events.append((2.5, impostor))


FIRST = (
    _healthy("cyc_cart", "one vendor, cart with private usb link", "cyclone", usb=True),
    _healthy("fast_cart", "one vendor, cart with private usb link", "fast", usb=True),
    _healthy("mix_cart", "mixed vendors, cart with private usb link", "mixed", usb=True),
    _healthy("cyc_wifi", "all on wifi", "cyclone"),
    _healthy("fast_wifi", "all on wifi", "fast"),
    _healthy("mix_wifi2", "mixed the other way round, all on wifi", "mixed2"),
    _healthy("fast_server", "central discovery server on cartbrain", "fast", server()),
    _healthy("cyc_peers", "peers lists, no multicast", "cyclone", peers()),
    _healthy("fast_late", "capture started long after discovery", "fast", set_(capture_after=9.0)),
    _case("p_fast_subnet", "desk came up with an address of another subnet", "fast", "path", "no-route", DESK,
          foreign("desk", "wlan0")),
    _case("p_cyc_mcblocked", "access point drops multicast between stations", "cyclone", "path", "multicast-blocked",
          DESK, air(f"{MULTICAST} drop"), usb=True),
    _case("p_fast_mcblocked", "access point drops multicast between stations", "fast", "path", "multicast-blocked",
          DESK, air(f"{MULTICAST} drop"), usb=True),
    _case("p_cyc_isolated", "access point isolates its clients", "cyclone", "path", "path-blocked", DESK,
          air("drop"), usb=True),
    _case("p_cyc_firewall", "firewall on the desk drops unicast", "cyclone", "path", "one-way unicast-blocked", DESK,
          firewall("desk", "ip daddr != 224.0.0.0/4 meta l4proto udp drop")),
    _case("d_fast_domain", "desk runs in domain 3, the rest in 0", "fast", "heard", "domain-mismatch", DESK,
          spec("desk_view", domain=3)),
    _case("d_cyc_peersinc", "peers lists; desk and cartbrain are missing in each other's", "cyclone", "heard",
          "peer-missing", DESK, peers(("desk", "cartbrain"), ("cartbrain", "desk"))),
    _case("d_cyc_killed", "base process dies without a goodbye at 5 s", "cyclone", "heard", "participant-lost", BASE,
          at(5, end("base_drive", signal.SIGKILL)), set_(seconds=19.0), moving=True),
    _case("i_fast_locator", "cartbrain's navigation announces only an unreachable address", "fast", "introduced",
          "unreachable-locator", NAV, locators("172.30.9.1", "brain_nav")),
    _case("m_cyc_durability", "beds offered volatile, requested transient local", "cyclone", "matched",
          "qos-durability", ("beds",), writer_qos("beds", durability="volatile")),
    _case("m_fast_reliability", "odom offered best effort, requested reliable", "fast", "matched", "qos-reliability",
          ("odom",), writer_qos("odom", reliability="best_effort"), usb=True),
    _case("m_mix_partition", "desk reads the scan in another partition", "mixed", "matched", "partition", ("scan",),
          reader_qos("scan", partition=["east"])),
    _case("m_cyc_topic", "desk subscribes cart1/scann", "cyclone", "matched", "topic-name", ("scan",),
          reader("scan", topic="cart1/scann")),
    _case("f_fast_silent", "odom writer matches and never writes", "fast", "flowing", "writer-silent", ("odom",),
          writer("odom", silent=1)),
    _case("f_cyc_lossbig", "6 % packet loss towards the desk, big best-effort images", "cyclone", "flowing", "loss",
          ("image",), size("image", 150000), air("oifname desk numgen random mod 100 < 6 drop"), shaky=("scan",),
          moving=True),
    _case("t_cyc_clock", "clock of the base is 3 s ahead", "cyclone", "timely", "clock-offset", ("odom", "battery"),
          clock("cartbase", 3.0), moving=True),
    _case("t_fast_overload", "base computer runs a quarter of the time", "fast", "timely introduced",
          "machine-overloaded discovery-overload", ("odom", "drive"), at(0.5, pause("base_drive", 0.6, 0.2)),
          set_(seconds=15.0), shaky=("battery",), moving=True),
)

CASES = FIRST
