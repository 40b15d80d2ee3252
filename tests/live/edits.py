"""What a case can change of a plan: what really runs, and what goes wrong on the way."""

from __future__ import annotations

import sys
from collections.abc import Callable

from plan import LAYOUTS, Declared, Plan, Run, add_participant, end
from relay import bridge_in_relay, router_of_multicast

Edit = Callable[[Plan], None]
MULTICAST = "ip daddr 224.0.0.0/4"
UNICAST = "ip daddr != 224.0.0.0/4 meta l4proto udp"


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
    return lambda plan: plan.faults.append(
        lambda run: run.machine("ap").nft(*rules, family="bridge", hook="forward")
    )


def firewall(machine: str, *rules: str, hook: str = "input") -> Edit:
    return lambda plan: plan.faults.append(lambda run: run.machine(machine).nft(*rules, hook=hook))


def at(seconds: float, what: Callable[[Run], None]) -> Edit:
    return lambda plan: plan.events.append((seconds, what))


def before(what: Callable[[Run], None]) -> Edit:
    return lambda plan: plan.faults.append(what)


def link(machine: str, interface: str, state: str) -> Callable[[Run], None]:
    return lambda run: run.machine(machine).run("ip", "link", "set", interface, state)


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
            topic = Declared(
                f"cart1/aux{i}",
                "Battery",
                [f"aux{i}"],
                [f"aux{(i + 1) % count}"],
                {"reliability": "reliable"},
                rate,
                real_size=60,
            )
            plan.topics.append(topic)
            common = {
                "topic": topic.name,
                "type": f"{plan.types}::Battery",
                "layout": LAYOUTS["Battery"],
                "size": 60,
            }
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
    return before(
        lambda run: run.machine("ap").run(
            "tc",
            "qdisc",
            "add",
            "dev",
            "desk",
            "root",
            "tbf",
            "rate",
            f"{kilobits}kbit",
            "burst",
            "16kb",
            "limit",
            "60kb",
        )
    )


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
    code = (
        "import socket,time\n"
        "from toprung.rehearse.frames import claim\n"
        "s=socket.socket(17,3,0x300); s.bind(('wlan0',0x0806)); m=s.getsockname()[4]\n"
        f"f=claim(m,'{run.plan.declared_address('desk', 'wlan0')}')\n"
        "while 1:\n"
        " s.send(f); time.sleep(0.7)\n"
    )
    run.lab.others.append(run.lab.start(guest, sys.executable, "-c", code))


def foreign(machine: str, interface: str) -> Edit:
    """The machine comes up with an address of another subnet."""
    return lambda plan: plan.addresses.update({(machine, interface): f"10.99.{plan.seed % 200}.40"})


def duplicate_address(plan: Plan) -> None:
    plan.extra_machines["guest"] = plan.declared_address("desk", "wlan0")
    plan.events.append((2.5, impostor))


def slow_air(machine: str, delay_ms: float, burst_ms: float = 0) -> Edit:
    """Everything between the machine and the access point is late, or comes in bursts."""
    return before(bridge_in_relay(machine, "wlan0", delay_ms, burst_ms))


def container_bridge(machine: str, address: str) -> Edit:
    """One more interface that nobody else can reach, as container software makes them."""

    def fault(run: Run) -> None:
        there = run.machine(machine)
        there.run("ip", "link", "add", "ctr0", "type", "bridge")
        there.run("ip", "addr", "add", f"{address}/16", "dev", "ctr0")
        there.run("ip", "link", "set", "ctr0", "up")

    return before(fault)


def declare(topic: str, /, **values) -> Edit:
    """The site itself says something else of a topic."""
    return lambda plan: [setattr(plan.topic(topic), k, v) for k, v in values.items()]


def routed(plan: Plan) -> None:
    """The desk also watches the base, across the companion, which routes unicast and multicast."""
    topic = Declared(
        "cart1/health", "Battery", ["base_drive"], ["desk_view"], {"reliability": "reliable"}, 2, real_size=80
    )
    plan.topics.append(topic)
    common = {"topic": topic.name, "type": f"{plan.types}::Battery", "layout": LAYOUTS["Battery"], "size": 80}
    plan.participants["base_drive"]["writers"].append({**common, "rate": 2, "qos": dict(topic.qos)})
    plan.participants["desk_view"]["readers"].append({**common, "qos": dict(topic.qos)})
    plan.faults.append(router_of_multicast)


def first(name: str) -> Edit:
    """Everybody else starts two seconds after this participant."""

    def edit(plan: Plan) -> None:
        for other, s in plan.participants.items():
            if other != name:
                s["later"] = True
                plan.events.append((2.0, lambda run, other=other: run.start(other)))

    return edit
