"""The switch process from our side: started with all links, told about changes, asked what it counted."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict
from threading import Thread
from typing import Any

from toprung.errors import RehearseError
from toprung.rehearse.machines import Machine, end, spawn
from toprung.rehearse.specs import LinkSpec, MachineSpec, Rule

Heard = Callable[[Mapping[str, int]], None]


class Ether:
    """All links of a rehearsal.  on_heard: called from a thread with the discovery datagrams that slowed
    machines were handed since the last call.
    """

    def __init__(
        self,
        links: Sequence[LinkSpec],
        machines: Mapping[str, Machine],
        specs: Mapping[str, MachineSpec],
        on_heard: Heard,
        seed: int = 0,
    ) -> None:
        self.tally: dict[str, dict[str, float]] = {}
        self._on_heard = on_heard
        self._process = spawn(
            [sys.executable, "-m", "toprung.rehearse.switch"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        wiring = {
            "links": [asdict(link) for link in links],
            "machines": {name: machine.pid for name, machine in machines.items()},
            "routers": [m.name for m in specs.values() if "multicast" in m.forwards],
            "slowed": [m.name for m in specs.values() if m.slowed is not None],
            "mtus": {m.name: m.mtus for m in specs.values()},
            "seed": seed,
        }
        self._tell(wiring)
        assert self._process.stdout is not None
        said = self._process.stdout.readline()
        if not said:
            raise self._failed()
        self._listener = Thread(target=self._listen, name="ether", daemon=True)
        self._listener.start()

    @property
    def pid(self) -> int:
        return self._process.pid

    def set_rules(self, link: str, rules: Sequence[Rule]) -> None:
        """A link's rules from now on, in place of those before."""
        self._tell({"rules": [link, [asdict(rule) for rule in rules]]})

    def set_carrier(self, machine: str, interface: str, up: bool) -> None:
        """Unplug an interface, or plug it in."""
        self._tell({"carrier": [machine, interface, up]})

    def claim(self, machine: str, interface: str, address: str, every_s: float) -> None:
        """Have a machine announce an address as its own, again and again."""
        self._tell({"claim": [machine, interface, address, every_s]})

    def close(self) -> None:
        """End it; `tally` has what each link counted."""
        assert self._process.stdin is not None
        with suppress(OSError):
            self._process.stdin.close()
        self._listener.join(3.0)
        end(self._process, None)
        for pipe in (self._process.stdout, self._process.stderr):
            if pipe is not None:
                pipe.close()

    def _tell(self, what: dict[str, Any]) -> None:
        assert self._process.stdin is not None
        try:
            os.write(self._process.stdin.fileno(), json.dumps(what).encode() + b"\n")
        except BrokenPipeError:
            raise self._failed() from None

    def _failed(self) -> RehearseError:
        assert self._process.stderr is not None
        words = self._process.stderr.read().decode(errors="replace").strip().split("\n")[-1]
        return RehearseError(f"the links ended ({words})", "rehearsal", "a kernel with TAP devices is needed")

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            said = json.loads(line)
            if "heard" in said:
                self._on_heard(said["heard"])
            self.tally = said.get("tally", self.tally)
