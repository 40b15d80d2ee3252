"""Sites for the matrix: a cart in several shapes; addresses, names, rates and sizes vary by salt."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

MACHINES = {  # role -> names that somebody might give it
    "base": ("base", "drivebox", "undercart"),
    "brain": ("brain", "pod", "mast"),
    "desk": ("desk", "shed", "bench"),
}
PARTICIPANTS = {
    "driver": ("driver", "wheels", "chassis"),
    "pilot": ("pilot", "navigator", "steward"),
    "eye": ("eye", "camera", "lookout"),
    "panel": ("panel", "watcher", "overview"),
}
HOMES = {"driver": "base", "pilot": "brain", "eye": "brain", "panel": "desk"}
LIBRARIES = {  # implementation -> of driver, pilot, eye, panel
    "cyclone": ("cyclone",) * 4,
    "fast": ("fast",) * 4,
    "mixed": ("fast", "cyclone", "cyclone", "fast"),
    "mixed2": ("cyclone", "fast", "fast", "cyclone"),
}
RING = ("brain", "desk", "brain", "base")  # neighbours share a link
CROWD = 10  # more participants than this keep the computer that runs them busy
RELIABLE, BEST = "{reliability: reliable}", "{reliability: best_effort}"
KEPT = "{reliability: reliable, durability: transient_local}"


@dataclass(frozen=True)
class Topic:
    """One topic as the site file declares it."""

    kind: str
    writer: str  # role
    readers: tuple[str, ...]
    qos: str
    size: int | None = None  # B
    rate: float | None = None
    within: int | None = None  # ms
    loss: int | None = None  # %
    exclusive: bool = False


@dataclass(frozen=True)
class Shape:
    """What a case wants of its site; the rest is chance."""

    air: bool = False  # all on Wi-Fi; else the base hangs on a cable
    routed: bool = False  # the desk also watches the base, across the companion
    discovery: str = "multicast"  # multicast, lists, server
    neighbours: bool = False  # the navigation reads the images, too
    beds_kept: bool = True
    image: tuple[int, ...] = (30_000, 40_000, 52_000)
    scan: tuple[int, ...] = (1440, 2880, 4320)
    image_rate: tuple[int, ...] = (4, 5, 6)
    image_qos: str = BEST
    scan_loss: int | None = None
    image_loss: int | None = None
    air_loss: int | None = None  # %, of the link, declared and real
    budget: int | None = None  # Hz, of the base
    more: int = 0  # participants, in a ring of small topics
    small: bool = False  # two participants only
    middleware_said: bool = True


@dataclass(frozen=True)
class MadeSite:
    """A site file, and the names that its roles have in it."""

    text: str
    names: dict[str, str]  # role of a machine, participant or topic -> name


def make_site(shape: Shape, implementation: str, salt: str) -> MadeSite:
    """The site of one run; the same words make the same site."""
    dice = random.Random(f"{shape} {implementation} {salt}")
    names = {role: dice.choice(words) for role, words in (MACHINES | PARTICIPANTS).items()}
    cart = dice.choice(("cart1", "cart2", "barrow"))
    topics = _topics(shape, dice)
    names |= {topic: f"{cart}/{topic}" for topic in topics}
    net, usb = (
        f"10.{dice.randint(20, 90)}.{dice.randint(2, 60)}",
        f"172.{dice.randint(20, 30)}.{dice.randint(3, 90)}",
    )
    space = dice.choice(("cart", "nursery", "glasshouse"))
    lines = ["site: fernhouse", f"domain: {dice.choice((0, 0, 1, 7, 12, 31))}"]
    lines += _machine_lines(shape, names, net, usb)
    lines += _participant_lines(shape, names, net, implementation, usb)
    lines.append("topics:")
    for topic, said in topics.items():
        lines += _topic_lines(names[topic], f"{space}::{said.kind}", said, names)
    for n in range(shape.more):
        here, there = _aux(n), _aux((n + 1) % shape.more)
        lines += [
            f"  {cart}/aux{n}:",
            f"    {{type: {space}::Aux, size: 60 B, rate: 2 Hz, from: {here}, to: {there}, qos: {RELIABLE}}}",
        ]
    return MadeSite("\n".join(lines) + "\n", names)


def _topics(shape: Shape, dice: random.Random) -> dict[str, Topic]:
    scan, image, beds = dice.choice(shape.scan), dice.choice(shape.image), dice.choice((6000, 9000))
    within = dice.choice((180, 200, 250)) * (5 if shape.more > CROWD else 1)
    found = {
        "odom": Topic("Odom", "driver", ("pilot",), RELIABLE, 720, dice.choice((20, 25, 30)), within),
        "battery": Topic("Battery", "driver", ("pilot",), KEPT, 64, 1, within),
        "drive": Topic(
            "Drive", "pilot", ("driver",), RELIABLE, 48, dice.choice((8, 10, 12)), within, exclusive=True
        ),
        "scan": Topic(
            "Scan", "pilot", ("panel",), BEST, scan, dice.choice((8, 10, 12)), within, shape.scan_loss
        ),
        "image": Topic(
            "Image",
            "eye",
            ("panel", "pilot") if shape.neighbours else ("panel",),
            shape.image_qos,
            image,
            dice.choice(shape.image_rate),
            within + 100,
            shape.image_loss,
        ),
        "beds": Topic("Beds", "pilot", ("panel",), KEPT if shape.beds_kept else RELIABLE, beds),
        "goal": Topic("Goal", "panel", ("pilot",), RELIABLE, 160, 1, within),
    }
    if shape.routed:
        found["health"] = Topic("Health", "driver", ("panel",), RELIABLE, 80, 2)
    if shape.small:
        found = {name: found[name] for name in ("odom", "battery", "drive")}
    return found


def _topic_lines(name: str, kind: str, t: Topic, names: dict[str, str]) -> list[str]:
    said = [
        ("type", kind),
        ("from", names[t.writer]),
        ("to", f"[{', '.join(names[r] for r in t.readers)}]"),
        ("qos", t.qos),
        ("size", t.size and f"{t.size} B"),
        ("rate", t.rate and f"{t.rate} Hz"),
        ("within", t.within and f"{t.within} ms"),
        ("loss", t.loss and f"{t.loss} %"),
        ("exclusive", "true" if t.exclusive else None),
    ]
    return [f"  {name}:", *(f"    {k}: {v}" for k, v in said if v)]


def _machine_lines(shape: Shape, names: dict[str, str], net: str, usb: str) -> list[str]:
    base, brain, desk = names["base"], names["brain"], names["desk"]
    base_at = f"wlan0: {net}.12/24" if shape.air else f"usb0: {usb}.2/24"
    brain_at = f"wlan0: {net}.11/24" if shape.air else f"wlan0: {net}.11/24, usb0: {usb}.1/24"
    budget = f", budget: {{messages: {shape.budget} Hz}}" if shape.budget else ""
    forwards = ", forwards: [unicast, multicast]" if shape.routed else ""
    lines = [
        "machines:",
        f"  {base}: {{role: base, interfaces: {{{base_at}}}{budget}}}",
        f"  {brain}: {{role: companion, interfaces: {{{brain_at}}}{forwards}}}",
        f"  {desk}: {{role: station, interfaces: {{wlan0: {net}.40/24}}}}",
        "links:",
    ]
    stations = [f"{m}.wlan0" for m in ((base,) if shape.air else ()) + (brain, desk)]
    loss = f", loss: {shape.air_loss} %" if shape.air_loss else ""
    lines.append(
        f"  air: {{kind: wifi, joins: [{', '.join(stations)}], standard: n, rate: 65 Mbit/s, "
        f"multicast_rate: 6 Mbit/s, access_point: true{loss}}}"
    )
    if not shape.air:
        lines.append(f"  cable: {{kind: usb, joins: [{base}.usb0, {brain}.usb0], rate: 200 Mbit/s}}")
    return lines


def _participant_lines(
    shape: Shape, names: dict[str, str], net: str, implementation: str, usb: str
) -> list[str]:
    homes = {role: HOMES[role] for role in PARTICIPANTS}
    libraries = dict(zip(PARTICIPANTS, LIBRARIES[implementation], strict=True))
    if shape.small:
        homes = {role: homes[role] for role in ("driver", "pilot")}
    hosts = [f"{net}.11", f"{net}.40", f"{net}.12" if shape.air else f"{usb}.2"] + (
        [] if shape.air else [f"{usb}.1"]
    )
    found = {
        "multicast": "",
        "lists": f", discovery: {{peers: [{', '.join(hosts)}]}}",
        "server": f", discovery: {{server: '{net}.11:11811'}}",
    }[shape.discovery]
    lines = ["participants:"]
    for role, home in homes.items():
        library = f", middleware: {libraries[role]}" if shape.middleware_said else ""
        lines.append(f"  {names[role]}: {{machine: {names[home]}{library}{found}}}")
    for n in range(shape.more):
        home = names[RING[n % 4]]
        library = LIBRARIES[implementation][n % 4]
        said = f", middleware: {library}" if shape.middleware_said else ""
        lines.append(f"  {_aux(n)}: {{machine: {home}{said}{found}}}")
    return lines


def _aux(n: int) -> str:
    return f"aux{n}"


CART, AIR = Shape(), Shape(air=True)
ROUTED, LISTS = Shape(routed=True), Shape(discovery="lists")
SERVED = Shape(discovery="server", air=True)  # the server must be in everybody's reach
LOSSY = replace(CART, scan=(2880,), scan_loss=5)
