"""The cart's site as a plan: what runs where, what the site file says, what goes wrong, what came of it.

The plan starts sound; a case changes the specs of peers (never the declared site) and adds faults.  The
truth is judged from what the peers themselves counted.
"""

from __future__ import annotations

import json
import random
import shutil
import signal
import threading
import time
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path

from captures import pack
from lab import Lab, Machine

from toprung.rehearse.peers import merged

LAYOUTS = {"Odom": "Lddds", "Battery": "Lfs", "Drive": "Ldds", "Scan": "Ls", "Image": "LLLs", "Beds": "Ls"}
MIXES = {
    "cyclone": ("cyclone", "cyclone", "cyclone"),
    "fast": ("fast", "fast", "fast"),
    "mixed": ("fast", "cyclone", "fast"),  # base, brain, desk
    "mixed2": ("cyclone", "fast", "cyclone"),
}


@dataclass
class Declared:
    """One topic as the site file declares it."""

    name: str
    kind: str  # the type's last name
    writer: list[str]
    reader: list[str]
    qos: dict[str, str]
    rate: float | None = None
    size: int | None = None  # said in the site file
    real_size: int = 100
    within: str | None = "200 ms"
    loss: str | None = None
    exclusive: bool = False


@dataclass
class Plan:
    """One run, ready to be changed by a case."""

    seed: int
    usb: bool
    middleware: str
    subnet: str
    usb_subnet: str
    seconds: float
    topics: list[Declared]
    participants: dict[
        str, dict
    ]  # name -> peer spec, with "machine"; the intended state, changed by the case
    declared: dict[str, dict] = field(default_factory=dict)  # name -> what the site file says
    domain: int = 0
    faults: list[Callable[[Run], None]] = field(
        default_factory=list
    )  # after the links are up, before the peers
    events: list[tuple[float, Callable[[Run], None]]] = field(default_factory=list)  # seconds after the peers
    addresses: dict[tuple[str, str], str] = field(
        default_factory=dict
    )  # (machine, interface) -> other than declared
    clocks: dict[str, float] = field(default_factory=dict)
    capture_after: float = -1.0  # seconds after the peers; negative: before them
    mtu: dict[str, int] = field(default_factory=dict)
    extra_machines: dict[str, str] = field(default_factory=dict)  # undeclared: name -> wlan address
    types: str = "nursery"
    forwards: bool = True
    snapped: list[str] = field(default_factory=list)

    def declared_address(self, machine: str, interface: str) -> str:
        host = {"ap": 1, "cartbrain": 11, "cartbase": 12, "desk": 40}[machine]
        if interface == "usb0":
            return f"{self.usb_subnet}.{1 if machine == 'cartbrain' else 2}"
        return f"{self.subnet}.{host}"

    def address(self, machine: str, interface: str) -> str:
        return self.addresses.get((machine, interface), self.declared_address(machine, interface))

    def interfaces(self, machine: str) -> list[str]:
        both = {"cartbrain": ["wlan0", "usb0"], "cartbase": ["usb0"]} if self.usb else {}
        return both.get(machine, ["wlan0"])

    def stations(self) -> list[str]:
        """Machines on the air."""
        return [m for m in ("cartbrain", "cartbase", "desk") if "wlan0" in self.interfaces(m)]

    def writer(self, topic: str, name: str = "") -> dict:
        """The spec of the writer of cart1/<topic>, to be changed."""
        return self._endpoint("writers", topic, name)

    def reader(self, topic: str, name: str = "") -> dict:
        return self._endpoint("readers", topic, name)

    def _endpoint(self, kind: str, topic: str, name: str) -> dict:
        return next(
            e
            for n, p in self.participants.items()
            if not name or n == name
            for e in p[kind]
            if e["topic"].endswith("/" + topic)
        )

    def drop(self, kind: str, topic: str) -> None:
        for spec in self.participants.values():
            spec[kind] = [e for e in spec[kind] if not e["topic"].endswith("/" + topic)]

    def topic(self, name: str) -> Declared:
        return next(t for t in self.topics if t.name.endswith("/" + name))

    def flows(self) -> list[tuple[str, str, str]]:
        return [(t.name, w, r) for t in self.topics for w in t.writer for r in t.reader]

    def build_specs(self) -> None:
        """Make the peers' endpoints from the declared topics."""
        for t in self.topics:
            common = {
                "topic": t.name,
                "type": f"{self.types}::{t.kind}",
                "layout": LAYOUTS[t.kind],
                "size": t.real_size,
            }
            timing = {"rate": t.rate} if t.rate else {"count": 1}
            for name in t.writer:
                self.participants[name]["writers"].append({**common, **timing, "qos": dict(t.qos)})
            for name in t.reader:
                self.participants[name]["readers"].append({**common, "qos": dict(t.qos)})


def cart(middleware: str, seed: int, usb: bool = False) -> Plan:
    """The sound cart: a base, a companion with navigation and camera, a desk."""
    dice = random.Random(seed)
    base, brain, desk = MIXES[middleware]
    plan = Plan(
        seed,
        usb,
        middleware.rstrip("2"),
        f"10.{dice.randint(20, 90)}.{dice.randint(2, 60)}",
        f"172.{dice.randint(20, 30)}.{dice.randint(3, 90)}",
        round(dice.uniform(8.5, 10.5), 1),
        [],
        {},
    )
    reliable, best = {"reliability": "reliable"}, {"reliability": "best_effort"}
    latched = {"reliability": "reliable", "durability": "transient_local"}
    scan, image, beds = (
        dice.choice((1440, 2880, 4320)),
        dice.choice((30000, 40000, 52000)),
        dice.choice((6000, 9000)),
    )
    nav = ["brain_nav"]
    plan.topics = [
        Declared(
            "cart1/odom", "Odom", ["base_drive"], nav, reliable, dice.choice((20, 25, 30)), real_size=720
        ),
        Declared("cart1/battery", "Battery", ["base_drive"], nav, latched, 1, real_size=64),
        Declared(
            "cart1/drive", "Drive", nav, ["base_drive"], reliable, dice.choice((8, 10, 12)), real_size=48
        ),
        Declared("cart1/scan", "Scan", nav, ["desk_view"], best, dice.choice((8, 10, 12)), scan, scan),
        Declared(
            "cart1/image", "Image", ["brain_cam"], ["desk_view"], best, dice.choice((4, 5, 6)), image, image
        ),
        Declared("cart1/beds", "Beds", nav, ["desk_view"], latched, None, beds, beds, within=None),
        Declared("cart1/goal", "Odom", ["desk_view"], nav, reliable, 1, real_size=160),
    ]
    for name, machine, library in (
        ("base_drive", "cartbase", base),
        ("brain_nav", "cartbrain", brain),
        ("brain_cam", "cartbrain", brain),
        ("desk_view", "desk", desk),
    ):
        add_participant(plan, name, machine, library)
    plan.build_specs()
    return plan


def add_participant(plan: Plan, name: str, machine: str, library: str, declare: bool = True) -> dict:
    spec = {
        "name": name,
        "machine": machine,
        "middleware": library,
        "mode": "multicast",
        "writers": [],
        "readers": [],
    }
    plan.participants[name] = spec
    if declare:
        plan.declared[name] = {"machine": machine, "middleware": library}
    return spec


def site_file(plan: Plan) -> str:
    """The intended site, as the person who runs the tool would have written it."""
    lines = ["site: nursery", f"domain: {plan.domain}", "machines:"]
    roles = {"ap": "other", "cartbrain": "companion", "cartbase": "base", "desk": "station"}
    for machine, role in roles.items():
        interfaces = ["wlan"] if machine == "ap" else plan.interfaces(machine)
        said = ", ".join(f"{i}: {plan.declared_address(machine, i)}/24" for i in interfaces)
        lines += [f"  {machine}:", f"    interfaces: {{{said}}}", f"    role: {role}"]
        if machine == "cartbrain" and plan.usb and plan.forwards:
            lines.append("    forwards: [unicast, multicast]")
    stations = [f"{m}.wlan0" for m in ("cartbrain", "cartbase", "desk") if "wlan0" in plan.interfaces(m)]
    lines += ["links:", "  wifi:", "    kind: wifi", f"    joins: [{', '.join(['ap.wlan', *stations])}]"]
    if plan.usb:
        lines += ["  usb:", "    kind: usb", "    joins: [cartbrain.usb0, cartbase.usb0]"]
    lines.append("participants:")
    for name, said in plan.declared.items():
        lines.append(f"  {name}: {{{', '.join(f'{k}: {v}' for k, v in said.items())}}}")
    lines.append("topics:")
    for t in plan.topics:
        lines += _topic_lines(t, plan.types)
    return "\n".join(lines) + "\n"


def _topic_lines(t: Declared, types: str) -> list[str]:
    qos = ", ".join(f"{k}: {v}" for k, v in t.qos.items())
    said = [
        ("type", f"{types}::{t.kind}"),
        ("from", f"[{', '.join(t.writer)}]"),
        ("to", f"[{', '.join(t.reader)}]"),
        ("qos", f"{{{qos}}}"),
        ("size", t.size and f"{t.size} B"),
        ("rate", t.rate and f"{t.rate} Hz"),
        ("within", t.within if t.rate else None),
        ("loss", t.loss),
        ("exclusive", "true" if t.exclusive else None),
    ]
    return [f"  {t.name}:", *(f"    {k}: {v}" for k, v in said if v)]


@dataclass
class Run:
    """A plan while it runs."""

    plan: Plan
    lab: Lab
    peers: dict[str, object] = field(default_factory=dict)
    threads: list[threading.Thread] = field(default_factory=list)
    over: threading.Event = field(default_factory=threading.Event)

    def machine(self, name: str) -> Machine:
        return self.lab.machines[name]

    def start(self, name: str) -> None:
        plan = self.plan
        spec = deepcopy(plan.participants[name])
        spec.setdefault("domain", plan.domain)
        spec["seconds"] = plan.seconds + 60
        self.peers[name] = self.lab.peer(self.machine(spec["machine"]), spec)

    def later(self, work: Callable[[Run], None]) -> None:
        """Run beside the peers until the run is over; `work` looks at `run.over`."""
        thread = threading.Thread(target=work, args=(self,), daemon=True)
        thread.start()
        self.threads.append(thread)


def build(plan: Plan, lab: Lab) -> None:
    lab.air(f"{plan.declared_address('ap', 'wlan')}/24")
    for name in ("cartbrain", "cartbase", "desk"):
        machine = lab.machine(name)
        machine.clock_s = plan.clocks.get(name, 0.0)
        if "wlan0" in plan.interfaces(name):
            lab.join(machine, "wlan0", f"{plan.address(name, 'wlan0')}/24", mtu=plan.mtu.get(name, 1500))
    for name, address in plan.extra_machines.items():
        lab.join(lab.machine(name), "wlan0", f"{address}/24")
    if plan.usb:
        brain, base = lab.machines["cartbrain"], lab.machines["cartbase"]
        lab.cable(
            brain,
            "usb0",
            f"{plan.address('cartbrain', 'usb0')}/24",
            base,
            "usb0",
            f"{plan.address('cartbase', 'usb0')}/24",
        )
        if plan.forwards:
            brain.run("sysctl", "-qw", "net.ipv4.ip_forward=1")
            base.run("ip", "route", "add", "default", "via", plan.address("cartbrain", "usb0"))
            lab.machines["desk"].run(
                "ip",
                "route",
                "add",
                f"{plan.usb_subnet}.0/24",
                "via",
                plan.declared_address("cartbrain", "wlan0"),
            )


def record_all(plan: Plan, lab: Lab) -> None:
    for name in ("cartbase", "cartbrain", "desk"):
        interfaces = plan.interfaces(name)
        lab.record(lab.machines[name], interfaces[0] if len(interfaces) == 1 else "any")


def perform(plan: Plan, folder: Path, tools: Path) -> dict[str, dict]:
    """Run the plan; leave captures in `folder`; return what each peer counted."""
    dice = random.Random(plan.seed + 1)
    with Lab(folder / "lab", tools) as lab:
        build(plan, lab)
        run = Run(plan, lab)
        for fault in plan.faults:
            fault(run)
        if plan.capture_after < 0:
            record_all(plan, lab)
            time.sleep(0.3)
        for name, spec in plan.participants.items():
            if not spec.get("later"):
                run.start(name)
                time.sleep(dice.uniform(0.0, 0.15))
        events = list(plan.events)
        if plan.capture_after >= 0:
            events.append((plan.capture_after, lambda run: record_all(plan, run.lab)))
        begun, total = time.monotonic(), plan.seconds + max(0.0, plan.capture_after)
        for when, what in sorted(events, key=lambda e: e[0]):
            time.sleep(max(0.0, begun + when - time.monotonic()))
            what(run)
        time.sleep(max(0.0, begun + total - time.monotonic()))
        run.over.set()
        for thread in run.threads:
            thread.join(5)
        lab.stop_recording()
        lab.stop_peers()
        for name in ("cartbase", "cartbrain", "desk"):
            pack(folder / "lab" / f"{name}.pcap", folder / f"{name}.pcap.gz")
        return merged(lab.peers)


def flow_counts(plan: Plan, counts: dict[str, dict]) -> tuple[dict[str, dict], dict[str, list[int]]]:
    """Per declared flow: samples sent and received, and the policy ids that either side reports."""
    samples, policies = {}, {}
    for topic, writer, reader in plan.flows():
        name = f"{topic} {writer} -> {reader}"
        empty = {"sent": {}, "received": {}, "incompatible": {}}
        out, back = counts.get(writer, empty), counts.get(reader, empty)
        samples[name] = {"sent": out["sent"].get(topic, 0), "received": back["received"].get(topic, 0)}
        ids = sorted({*out["incompatible"].get(topic, ()), *back["incompatible"].get(topic, ())})
        if ids:
            policies[name] = ids
    return samples, policies


def keep(folder: Path, plan: Plan) -> None:
    """Write the site file; put the laboratory's own files out of the way."""
    (folder / "site.yaml").write_text(site_file(plan))
    shutil.rmtree(folder / "lab", ignore_errors=True)


def pause(name: str, stopped_s: float, running_s: float) -> Callable[[Run], None]:
    """An event: from now on the participant's process runs only part of the time."""

    def work(run: Run) -> None:
        peer = run.peers[name]
        while not run.over.is_set():
            peer.signal(signal.SIGSTOP)
            run.over.wait(stopped_s)
            peer.signal(signal.SIGCONT)
            run.over.wait(running_s)

    return lambda run: run.later(work)


def end(name: str, number: int) -> Callable[[Run], None]:
    """An event: SIGTERM is a goodbye, SIGKILL is none."""
    return lambda run: run.peers[name].signal(number)


def dump(truth: list[dict], path: Path) -> None:
    part = path.with_suffix(".part")
    part.write_text(json.dumps(truth, indent=1) + "\n")
    part.replace(path)
