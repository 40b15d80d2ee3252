"""Reach: routes over shared subnets, links and machines that forward."""

from hypothesis import given
from hypothesis import strategies as st

from toprung.forecast.reach import LOOPBACK, reach_of
from toprung.model.site_file import load_site

SITE = """
site: fernhouse
machines:
  base: {interfaces: {usb0: 10.77.1.2/24}}
  brain:
    interfaces: {usb0: 10.77.1.1/24, wlan0: {address: 10.77.2.21/24, mtu: 1400 B}}
    forwards: FORWARDS
  desk: {interfaces: {wlan0: 10.77.2.40/24}}
  shed: {interfaces: {eth0: 10.77.9.1/24}}
links:
  cable: {kind: usb, joins: [base.usb0, brain.usb0]}
  air: {kind: wifi, joins: [brain.wlan0, desk.wlan0], access_point: true}
participants:
  driver: {machine: base, middleware: cyclone}
  pilot: {machine: brain}
  scout: {machine: brain, interfaces: [usb0]}
  panel: {machine: desk, discovery: {peers: [10.77.2.21, 10.77.1.2, 10.77.50.1]}}
  helper: {machine: desk, middleware: fast, discovery: {server: "10.77.2.21:11811"}}
  gnome: {machine: shed}
"""


def reach(forwards="[]"):
    return reach_of(load_site(SITE.replace("FORWARDS", forwards)))


def words(route):
    return [f"{hop.sender} -{hop.link.name}> {hop.receiver}" for hop in route.hops]


def test_neighbours_on_a_link_reach_each_other_by_the_subnet_they_share():
    route = reach().unicast("pilot", "driver")
    assert words(route) == ["brain.usb0 -cable> base.usb0"]
    assert (route.source, route.destination, route.mtu_bytes) == ("10.77.1.1", "10.77.1.2", 1500)
    assert reach().unicast("panel", "pilot").mtu_bytes == 1400


def test_one_machine_needs_no_link():
    assert reach().unicast("pilot", "scout") is LOOPBACK
    assert reach().multicast("pilot", "scout") is LOOPBACK
    assert reach().unicast("panel", "helper").hops == ()


def test_without_a_router_there_is_no_route_and_with_one_there_is():
    assert reach().unicast("driver", "panel") is None
    route = reach("[unicast]").unicast("driver", "panel")
    assert words(route) == ["base.usb0 -cable> brain.usb0", "brain.wlan0 -air> desk.wlan0"]
    assert (route.source, route.destination, route.mtu_bytes) == ("10.77.1.2", "10.77.2.40", 1400)
    assert reach("[unicast]").unicast("gnome", "panel") is None


def test_multicast_is_forwarded_only_where_the_site_says_so():
    assert reach("[unicast]").multicast("driver", "panel") is None
    route = reach("[multicast]").multicast("driver", "panel")
    assert words(route) == ["base.usb0 -cable> brain.usb0", "brain.wlan0 -air> desk.wlan0"]
    assert reach("[multicast]").unicast("driver", "panel") is None


def test_multicast_ends_where_its_time_to_live_is_spent():
    near = reach("[multicast]")
    assert near.multicast("helper", "pilot") is not None
    assert near.multicast("helper", "driver") is None
    assert len(near.multicast("helper", "driver", ttl=2).hops) == 2
    assert [heard.link.name for heard in near.audience("helper")] == ["air"]
    assert [(h.link.name, h.hops) for h in near.audience("panel")] == [("air", 1), ("cable", 2)]


def test_a_participant_uses_its_own_interfaces_only():
    assert reach().unicast("scout", "driver") is not None
    assert reach().unicast("scout", "panel") is None
    assert reach().multicast("panel", "scout") is None
    assert reach().announced("scout") == ("10.77.1.1",)
    assert reach().announced("pilot") == ("10.77.1.1", "10.77.2.21")


def test_announced_addresses_that_the_other_cannot_reach_are_named():
    assert reach().unreachable("panel", "pilot") == ("10.77.1.1",)
    assert reach().unreachable("driver", "pilot") == ("10.77.2.21",)
    assert reach("[unicast]").unreachable("driver", "pilot") == ()
    assert reach().unreachable("pilot", "scout") == ()


def test_every_address_that_can_be_reached_has_a_route():
    assert [r.destination for r in reach().routes("driver", "pilot")] == ["10.77.1.1"]
    near, far = reach("[unicast]").routes("driver", "pilot")
    assert (near.destination, far.destination) == ("10.77.1.1", "10.77.2.21")
    assert words(near) == words(far) == ["base.usb0 -cable> brain.usb0"]
    assert reach().routes("pilot", "scout") == ()
    site = load_site("""
site: fernhouse
machines:
  base: {interfaces: {eth0: [10.77.1.2/24, "fd00::2/64"], eth1: 10.77.3.2/24}}
  brain: {interfaces: {eth0: 10.77.1.1/24, eth1: 10.77.3.1/24}}
participants: {driver: {machine: base}, pilot: {machine: brain}}
""")
    assert [r.destination for r in reach_of(site).routes("pilot", "driver")] == [
        "10.77.1.2",
        "fd00::2",
        "10.77.3.2",
    ]


def test_the_audience_of_a_link_is_everybody_with_an_interface_on_it():
    air, cable = reach().audience("panel")[0], reach().audience("scout")[0]
    assert air.listeners == ("pilot", "panel", "helper")
    assert cable.listeners == ("driver", "pilot", "scout")
    assert (str(air.sender), air.hops) == ("desk.wlan0", 1)
    assert reach().audience("gnome") == ()


def test_peers_and_servers_are_found_by_their_addresses():
    near, far, strange = reach().asks("panel")
    assert (near.machine, near.port, len(near.route.hops)) == ("brain", None, 1)
    assert (far.machine, far.route) == ("base", None)
    assert (strange.machine, strange.route) == (None, None)
    (server,) = reach().asks("helper")
    assert (server.machine, server.port, len(server.route.hops)) == ("brain", 11811, 1)
    assert reach().asks("driver") == ()


def test_interfaces_on_no_link_are_taken_to_share_one_with_their_subnet():
    site = load_site("""
site: fernhouse
machines:
  base: {interfaces: {eth0: [10.77.1.2/24, "fd00::2/64"]}}
  brain: {interfaces: {eth0: [10.77.1.1/24, "fd00::1/64"]}}
participants: {driver: {machine: base}, pilot: {machine: brain}}
""")
    reach = reach_of(site)
    assert [link.name for link in reach.assumed] == ["10.77.1.0/24"]
    assert reach.unicast("driver", "pilot").destination == "10.77.1.1"
    assert reach.multicast("driver", "pilot").mtu_bytes == 1500
    assert reach.is_placed("driver")


def test_interfaces_without_addresses_are_taken_to_share_their_links_subnet():
    site = load_site("""
site: fernhouse
machines:
  base: {interfaces: {eth0: {mtu: 1400 B}}}
  brain: {interfaces: {eth0: 10.77.1.1/24}}
links: {cable: {kind: ethernet, joins: [base.eth0, brain.eth0]}}
participants: {driver: {machine: base}, pilot: {machine: brain}}
""")
    route = reach_of(site).unicast("driver", "pilot")
    assert (route.source, route.destination, route.mtu_bytes) == ("", "10.77.1.1", 1400)


def test_a_machine_without_interfaces_is_nowhere():
    site = load_site("site: fernhouse\nmachines: {base: {}}\nparticipants: {driver: {machine: base}}")
    assert not reach_of(site).is_placed("driver")


def fleet(copies):
    return load_site(f"""
site: fernhouse
machines:
  base{{n}}: {{interfaces: {{usb0: "10.{{n}}.1.2/24"}}}}
  brain{{n}}:
    interfaces: {{usb0: "10.{{n}}.1.1/24", wlan0: "10.0.0.{{n}}/22"}}
    forwards: [unicast]
  desk: {{interfaces: {{wlan0: 10.0.3.250/22}}}}
links:
  cable{{n}}: {{kind: usb, joins: ["base{{n}}.usb0", "brain{{n}}.usb0"]}}
  air: {{kind: wifi, joins: ["brain{{n}}.wlan0", desk.wlan0]}}
participants:
  driver{{n}}: {{machine: "base{{n}}"}}
  panel: {{machine: desk}}
fleets: {{cart: {{copies: {copies}, of: ["base{{n}}", "brain{{n}}"]}}}}
""")


def test_every_base_of_a_fleet_is_reached_through_its_own_brain():
    reach = reach_of(fleet(40))
    for n in range(1, 41):
        assert words(reach.unicast("panel", f"driver{n}")) == [
            f"desk.wlan0 -air> brain{n}.wlan0",
            f"brain{n}.usb0 -cable{n}> base{n}.usb0",
        ]
        assert len(reach.unicast(f"driver{n}", "panel").hops) == 2
    assert words(reach.unicast("driver3", "driver9")) == [
        "base3.usb0 -cable3> brain3.usb0",
        "brain3.wlan0 -air> brain9.wlan0",
        "brain9.usb0 -cable9> base9.usb0",
    ]


@given(st.permutations(range(4)), st.integers(0, 3), st.integers(0, 3))
def test_a_chain_of_routers_is_walked_from_end_to_end(order, one, other):
    """Machines m0 to m3 in a line, written in any order: as many hops as they are apart."""
    ports = "{{interfaces: {{left: 10.0.{0}.2/24, right: 10.0.{1}.1/24}}, forwards: [unicast, multicast]}}"
    listed = "\n".join(f"  m{n}: " + ports.format(n, n + 1) for n in order)
    links = "\n".join(f"  l{n}: {{kind: ethernet, joins: [m{n}.right, m{n + 1}.left]}}" for n in range(3))
    people = "\n".join(f"  p{n}: {{machine: m{n}}}" for n in range(4))
    site = load_site(f"site: fernhouse\nmachines:\n{listed}\nlinks:\n{links}\nparticipants:\n{people}\n")
    reach = reach_of(site)
    for route in (reach.unicast(f"p{one}", f"p{other}"), reach.multicast(f"p{one}", f"p{other}")):
        assert len(route.hops) == abs(one - other)
