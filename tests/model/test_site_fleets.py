"""Fleets: copies of machines with all that runs on them."""

import pytest

from toprung.errors import SiteError
from toprung.model.site_file import load_site
from toprung.model.site_text import site_text

FLEET = """
site: fernhouse
machines:
  base{n}: {role: base, interfaces: {usb0: "10.77.{n+100}.2/24"}}
  brain{n}:
    interfaces:
      usb0: 10.77.{n+100}.1/24
      wlan0: ["10.77.2.{n+20}/24", "fd00::{n}/64"]
  desk: {interfaces: {wlan0: 10.77.2.200/24}}
links:
  cable{n}: {kind: usb, joins: ["base{n}.usb0", "brain{n}.usb0"]}
  air: {kind: wifi, joins: ["brain{n}.wlan0", desk.wlan0]}
participants:
  driver{n}: {machine: "base{n}"}
  pilot{n}: {machine: "brain{n}", discovery: {peers: ["10.77.2.{n+20}", 10.77.2.200]}}
  panel: {machine: desk}
topics:
  cart{n}/odom: {from: "driver{n}", to: ["pilot{n}", panel]}
  stop: {from: panel, to: "driver{n}"}
services:
  cart{n}/dock: {from: "pilot{n}", to: "driver{n}"}
loops:
  round{n}: {through: ["cart{n}/odom"], work: {"pilot{n}": 5 ms}, vehicle: cart}
vehicles: {cart: {top_speed: 0.4 m/s}}
fleets:
  cart: {copies: 3, of: ["base{n}", "brain{n}"]}
"""


def only_fault(text):
    with pytest.raises(SiteError) as refused:
        load_site(text)
    (line,) = str(refused.value).splitlines()
    return line


def test_every_copy_has_its_own_machines_links_participants_topics_and_loops():
    site = load_site(FLEET)
    assert [m.name for m in site.machines] == [
        "base1",
        "base2",
        "base3",
        "brain1",
        "brain2",
        "brain3",
        "desk",
    ]
    assert site.machine("brain2").hosts == {"10.77.102.1", "10.77.2.22", "fd00::2"}
    assert [link.name for link in site.links] == ["cable1", "cable2", "cable3", "air"]
    assert [str(j) for j in site.links[1].joins] == ["base2.usb0", "brain2.usb0"]
    assert site.participant("pilot3").machine == "brain3"
    assert site.participant("pilot3").discovery.peers == ("10.77.2.23", "10.77.2.200")
    assert [loop.through for loop in site.loops] == [("cart1/odom",), ("cart2/odom",), ("cart3/odom",)]
    assert site.loops[2].work[0].participant == "pilot3"
    assert site.fleets[0].copies == (("base1", "brain1"), ("base2", "brain2"), ("base3", "brain3"))


def test_what_is_shared_names_every_copy():
    site = load_site(FLEET)
    assert [str(j) for j in site.links[3].joins] == [
        "brain1.wlan0",
        "brain2.wlan0",
        "brain3.wlan0",
        "desk.wlan0",
    ]
    assert site.topics[-1].readers == ("driver1", "driver2", "driver3")


def test_flows_stay_within_their_copy():
    flows = [str(f.flow) for f in load_site(FLEET).flows() if f.topic == "cart2/odom"]
    assert flows == ["cart2/odom driver2 -> pilot2", "cart2/odom driver2 -> panel"]


def test_a_fleet_survives_writing():
    site = load_site(FLEET)
    assert load_site(site_text(site)) == site


def test_one_copy_needs_no_number():
    site = load_site(
        "site: s\nmachines: {base: {}}\nparticipants: {a: {machine: base}}\n"
        "topics: {t: {from: a}}\nfleets: {cart: {copies: 1, of: [base]}}"
    )
    assert (site.machines[0].name, site.topics[0].writers) == ("base", ("a",))


FAULTS = (
    (
        "10.77.{n+100}.1/24",
        "10.77.1.1/24",
        "machines.brain2.interfaces.usb0: 10.77.1.1 is the address of brain1.usb0 already",
    ),
    (
        "  pilot{n}: {machine",
        "  pilot: {machine",
        'every copy would be called "pilot"; would be right: "pilot{n}"',
    ),
    ("copies: 3", "copies: 0", 'fleets.cart.copies: "0" is out of bounds; would be right: at least 1'),
    ("copies: 3", "copies: 1001", "is out of bounds; would be right: at most 1000"),
    (
        '["pilot{n}", panel]',
        '["pilot{n}", pannel]',
        'topics.cart1/odom.to[1]: there is no participant "pannel"; would be right: panel',
    ),
    (
        "  stop: {from: panel",
        "  stop{n}: {from: panle",
        'there is no participant "panle"; would be right: panel',
    ),
)


@pytest.mark.parametrize(("right", "wrong", "says"), FAULTS)
def test_a_fault_in_a_copy_is_told_once_at_the_original(right, wrong, says):
    with pytest.raises(SiteError) as refused:
        load_site(FLEET.replace(right, wrong, 1))
    lines = str(refused.value).splitlines()
    assert len([line for line in lines if says in line]) == 1, lines


def test_a_numbered_name_needs_exactly_one_fleet():
    text = (
        "site: s\nmachines: {m: {}, 'b{n}': {}}\nparticipants: {a: {machine: m}}\n"
        "topics: {'t{n}': {from: a}}\nfleets: {f: {copies: 2, of: ['b{n}']}}"
    )
    assert "topics.t{n}: its name holds {n}, but it names no member of a fleet" in only_fault(text)


def test_copies_cannot_exhaust_memory():
    wide = ", ".join(f"i{k}: 10.{k // 250}.{k % 250}.{{n}}/8" for k in range(300)).replace("{n}", "1")
    text = f"site: s\nmachines:\n  b{{n}}: {{interfaces: {{{wide}}}}}\n"
    text += "fleets: {f: {copies: 1000, of: ['b{n}']}}"
    with pytest.raises(SiteError, match="the copies make more than 200000 entries"):
        load_site(text)
