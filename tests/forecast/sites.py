"""Small sites that differ in one thing from a sound one."""

from __future__ import annotations

from toprung.forecast.forecast import forecast
from toprung.model.site_file import load_site

SOUND = """
site: nursery
machines:
  base: {interfaces: {usb0: 10.0.1.2/24}}
  brain: {interfaces: {usb0: 10.0.1.1/24, wlan0: 10.0.2.1/24}}
  desk: {interfaces: {wlan0: 10.0.2.9/24}}
links:
  cable: {kind: usb, joins: [base.usb0, brain.usb0], rate: 200 Mbit/s, delay: 0.3 ms, loss: 0 %}
  air: {kind: wifi, joins: [brain.wlan0, desk.wlan0], standard: ac, rate: 65 Mbit/s,
    multicast_rate: 6 Mbit/s, access_point: true, delay: 1 ms, loss: 0 %}
participants:
  driver: {machine: base, middleware: cyclone}
  pilot: {machine: brain, middleware: cyclone}
  panel: {machine: desk, middleware: cyclone}
topics:
  odom: {type: Odom, size: 720 B, rate: 50 Hz, from: driver, to: pilot, within: 40 ms,
    qos: {reliability: reliable}}
  drive: {type: Drive, size: 48 B, rate: 20 Hz, from: pilot, to: driver, within: 40 ms,
    qos: {reliability: reliable, history: keep_last}}
  picture: {type: Picture, size: 12 kB, rate: 5 Hz, from: pilot, to: panel, qos: {reliability: best_effort}}
"""


def changed(*edits: tuple[str, str], text: str = SOUND) -> str:
    """The sound site with pieces of its text exchanged; each must be there."""
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new)
    return text


def forecast_of(*edits: tuple[str, str], text: str = SOUND, **options):
    """The forecast of the sound site with these edits, without simulation unless it is asked for."""
    return forecast(load_site(changed(*edits, text=text)), **({"simulate": False} | options))


def climb_of(made, topic: str):
    return next(c for c in made.ladder.climbs if c.flow.topic == topic)


def finding_of(made, topic: str):
    """The finding that keeps a topic's flow down."""
    climb = climb_of(made, topic)
    assert climb.findings, climb
    return made.findings[climb.findings[0]]


def causes(made) -> dict[str, str | None]:
    return {c.flow.topic: c.cause for c in made.ladder.climbs}
