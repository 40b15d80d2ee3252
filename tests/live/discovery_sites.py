"""Sites whose discovery is measured: shapes salted by a seed, so that no model is tuned to one of them."""

from __future__ import annotations

import random
from dataclasses import dataclass

from toprung.model.site import Site
from toprung.model.site_file import load_site

SERVER = "10.88.4.2:11811"
MODES = {
    "multicast": "multicast",
    "peers": "{{peers: [{addresses}]}}",
    "server": f"{{{{server: '{SERVER}'}}}}",
}


@dataclass(frozen=True)
class Shape:
    """So many participants of one library, and all else by the seed."""

    library: str
    mode: str
    participants: int
    seed: int

    @property
    def name(self) -> str:
        return f"{self.library}-{self.mode}-{self.participants}-{self.seed}"


def site_of(shape: Shape) -> Site:
    """2 to 4 machines with 1 to 4 participants, 2 to 10 endpoints each, on one link of 1 to 3 ms."""
    dice = random.Random(shape.name)
    least = max(2, -(-shape.participants // 4))
    machines = dice.randint(least, min(4, shape.participants))
    homes = [f"m{i % machines}" for i in range(shape.participants)]
    dice.shuffle(homes)
    names = [f"part{i:02d}" for i in range(shape.participants)]
    addresses = {f"m{i}": f"10.88.4.{11 + i}" for i in range(machines)}
    lines = [
        "site: salted",
        f"domain: {dice.randint(0, 9)}",
        "machines:",
        "  post: {interfaces: {e: 10.88.4.2/24}}",
    ]
    lines += [f"  {m}: {{interfaces: {{e: {a}/24}}}}" for m, a in addresses.items()]
    ends = ", ".join(f"{m}.e" for m in ("post", *addresses))
    lines += ["links:", f"  line: {{kind: ethernet, delay: {dice.randint(10, 30) / 10} ms, joins: [{ends}]}}"]
    mode = MODES[shape.mode].format(addresses=", ".join(addresses.values()))
    lines.append("participants:")
    for name, home in zip(names, homes, strict=True):
        lines.append(f"  {name}: {{machine: {home}, middleware: {shape.library}, discovery: {mode}}}")
    lines.append("topics:")
    lines += _topics(dice, names)
    return load_site("\n".join(lines) + "\n")


def _topics(dice: random.Random, names: list[str]) -> list[str]:
    """Topics until everybody has as many endpoints as it is to have."""
    left = {name: dice.randint(2, 10) for name in names}
    lines, number = [], 0
    while any(left.values()):
        writer = max(names, key=lambda name: (left[name], name))
        readers = [name for name in names if name != writer and left[name]] or [
            n for n in names if n != writer
        ]
        chosen = dice.sample(readers, k=min(len(readers), dice.choice((1, 1, 2))))
        word = "".join(dice.choices("abcdefghijklm", k=dice.randint(3, 24)))
        reliability = dice.choice(("reliable", "best_effort"))
        qos = f"{{reliability: {reliability}, history: {{kind: keep_last, depth: 8}}}}"
        lines.append(
            f"  {word}/t{number}: {{type: 'nursery::{word.title()}', size: 100 B, rate: 1 Hz, "
            f"from: {writer}, to: [{', '.join(chosen)}], qos: {qos}}}"
        )
        left[writer] = max(0, left[writer] - 1)
        for name in chosen:
            left[name] = max(0, left[name] - 1)
        number += 1
    return lines
