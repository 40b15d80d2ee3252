"""How long a forecast takes, by the size of the site.

python benchmarks/forecast.py [--simulation] [--wifi]

Carts of a base and a companion on a cable of their own; the companions share one network with the desk.
Every cart has two participants and five flows.  Reading the site file is not counted.
"""

from __future__ import annotations

import argparse
import sys
import time

from toprung.forecast.forecast import forecast
from toprung.model.site import Site
from toprung.model.site_file import load_site

SIZES = (12, 100, 1000)  # machines
RUNS = 5
NETWORK = {
    False: "kind: ethernet, rate: 1 Gbit/s",
    True: "kind: wifi, standard: ac, rate: 780 Mbit/s, access_point: true, loss: 0.1 %",
}
TEXT = """
site: many
machines:
  "base{{n}}": {{role: base, interfaces: {{usb0: "10.1.{{n}}.2/30"}}}}
  "brain{{n}}": {{interfaces: {{usb0: "10.1.{{n}}.1/30", net0: "10.2.0.{{n}}/16"}}}}
  desk: {{interfaces: {{net0: 10.2.255.1/16}}}}
links:
  "cable{{n}}": {{kind: usb, joins: ["base{{n}}.usb0", "brain{{n}}.usb0"], rate: 200 Mbit/s}}
  hall: {{joins: ["brain{{n}}.net0", desk.net0], {network}}}
participants:
  "driver{{n}}": {{machine: "base{{n}}", middleware: cyclone}}
  "pilot{{n}}": {{machine: "brain{{n}}", middleware: cyclone}}
  panel: {{machine: desk, middleware: cyclone}}
topics:
  "cart{{n}}/odom":
    {{size: 720 B, rate: 50 Hz, from: "driver{{n}}", to: "pilot{{n}}", within: 1 s,
    qos: {{reliability: reliable}}}}
  "cart{{n}}/drive":
    {{size: 48 B, rate: 20 Hz, from: "pilot{{n}}", to: "driver{{n}}", within: 1 s,
    qos: {{reliability: reliable}}}}
  "cart{{n}}/battery": {{size: 64 B, rate: 1 Hz, from: "driver{{n}}", to: "pilot{{n}}"}}
  "cart{{n}}/pose": {{size: 160 B, rate: 5 Hz, from: "pilot{{n}}", to: panel, within: 1 s}}
  "cart{{n}}/goal": {{size: 160 B, rate: 1 Hz, from: panel, to: "pilot{{n}}", qos: {{reliability: reliable}}}}
loops:
  "steer{{n}}": {{through: ["cart{{n}}/odom", "cart{{n}}/drive"], vehicle: cart}}
vehicles: {{cart: {{top_speed: 0.45 m/s, braking: 0.8 m/s^2, watchdog: 500 ms}}}}
fleets:
  cart: {{copies: {copies}, of: ["base{{n}}", "brain{{n}}"]}}
"""


def site_of(machines: int, wifi: bool = False) -> Site:
    """A site of so many machines; addresses beyond 255 carts go on in the octet before."""
    copies = (machines - 1) // 2
    text = TEXT.format(copies=copies, network=NETWORK[wifi])
    if copies > 250:  # one octet does not hold them: every address is of a network of its own
        text = text.replace("10.1.{n}.", "fd01:{n}::").replace("10.2.0.{n}/16", "fd02::{n}/64")
        text = text.replace("/30", "/64").replace("10.2.255.1/16", "fd02::ffff/64")
    return load_site(text)


def best_s(site: Site, simulate: bool) -> float:
    """The quickest of some runs."""
    spent = []
    for _ in range(RUNS):
        begun = time.perf_counter()
        forecast(site, simulate=simulate)
        spent.append(time.perf_counter() - begun)
    return min(spent)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--simulation", action="store_true", help="with the simulation of discovery")
    parser.add_argument("--wifi", action="store_true", help="one access point instead of a switch")
    words = parser.parse_args()
    for machines in SIZES:
        site = site_of(machines, words.wifi)
        spent = best_s(site, words.simulation)
        sys.stdout.write(f"{len(site.machines):>5} machines, {len(site.flows()):>5} flows: {spent:7.3f} s\n")


if __name__ == "__main__":
    main()
