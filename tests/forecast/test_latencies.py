"""Latencies of a whole site's flows, from its traffic."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from toprung.forecast.latencies import latency_of, legs_of
from toprung.forecast.latency import AT_HOME
from toprung.forecast.loops import loops_of
from toprung.forecast.poses import agreements_of
from toprung.forecast.reach import reach_of
from toprung.forecast.traffic import traffic_of
from toprung.model.figures import Discovery, MachineFigures
from toprung.model.site_file import load_site

SITE = """
site: fernhouse
machines:
  base: {role: base, interfaces: {usb0: 10.77.1.2/24}, budget: {messages: 250 Hz}}
  brain: {interfaces: {usb0: 10.77.1.1/24, wlan0: 10.77.2.21/24}}
  desk: {interfaces: {wlan0: 10.77.2.40/24}}
  tablet: {interfaces: {wlan0: 10.77.2.41/24}}
links:
  cable: {kind: ethernet, joins: [base.usb0, brain.usb0], rate: 100 Mbit/s, delay: 0.3 ms}
  air: {kind: wifi, joins: [brain.wlan0, desk.wlan0, tablet.wlan0], standard: a, rate: 54 Mbit/s,
    multicast_rate: 6 Mbit/s, access_point: true, loss: 1 %}
participants:
  driver: {machine: base, middleware: cyclone}
  pilot: {machine: brain, middleware: cyclone}
  eye: {machine: brain, middleware: fast}
  panel: {machine: desk, middleware: cyclone}
  slate: {machine: tablet, middleware: cyclone}
topics:
  odom: {size: 720 B, rate: 50 Hz, from: driver, to: pilot, qos: {reliability: best_effort}}
  drive: {size: 48 B, rate: 20 Hz, from: pilot, to: driver, qos: {reliability: best_effort}}
  picture: {size: 12 kB, rate: 5 Hz, from: eye, to: panel, qos: {reliability: best_effort}}
  look: {size: 1 kB, rate: 5 Hz, from: eye, to: pilot, qos: {reliability: best_effort}}
  goal: {size: 100 B, rate: 2 Hz, from: panel, to: pilot, qos: {reliability: reliable}}
  mark: {size: 100 B, rate: 2 Hz, from: eye, to: panel, qos: {reliability: reliable}}
  map: {size: 900 B, rate: 1 Hz, from: pilot, to: [panel, slate], qos: {reliability: best_effort}}
  hello: {from: panel, to: pilot}
loops:
  steer: {through: [odom, drive], work: {pilot: 10 ms}, sense: {topic: odom, range: 1 m}, vehicle: cart}
vehicles: {cart: {top_speed: 0.45 m/s, braking: 0.8 m/s^2}}
"""


def latencies(*edits, machines=None):
    text = SITE
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new)
    site = load_site(text)
    reach = reach_of(site)
    return site, {str(f): x for f, x in latency_of(site, reach, traffic_of(site, reach), machines).items()}


def test_a_cable_takes_the_bits_and_the_delay():
    """720 B of odometry: 56 B of RTPS around it, 28 of IP and UDP, 38 of Ethernet, at 100 Mbit/s."""
    odom = latencies()[1]["odom driver -> pilot"]
    assert odom.best_s == pytest.approx((720 + 56 + 28 + 38) * 8 / 100e6 + 0.0003)
    assert odom.lost == 0
    assert odom.typical_s < odom.best_s + 1e-5


def test_each_way_of_a_cable_has_its_own_queue():
    busy = ("size: 48 B, rate: 20 Hz", "size: 48000 B, rate: 200 Hz")
    before, after = latencies()[1], latencies(busy)[1]
    assert after["odom driver -> pilot"].worst_s == before["odom driver -> pilot"].worst_s
    shared = ("kind: ethernet", "kind: usb")
    before, after = latencies(shared)[1], latencies(shared, busy)[1]
    assert after["odom driver -> pilot"].worst_s > before["odom driver -> pilot"].worst_s + 0.003


def test_an_access_point_uses_the_air_twice():
    over, direct = latencies()[1], latencies(("access_point: true", "access_point: false"))[1]
    picture = "picture eye -> panel"
    assert over[picture].best_s == pytest.approx(2 * direct[picture].best_s)


def test_multicast_may_wait_for_a_beacon():
    """One sample to two stations: kept for the beacon while one of them sleeps, 102.4 ms at worst."""
    found = latencies()[1]["map pilot -> slate"]
    held = next(t for t in found.terms if t.says == "held for a beacon of air")
    assert (held.typical_s, held.worst_s) == (0, pytest.approx(0.1024))
    assert "held for a beacon of air" not in [t.says for t in latencies()[1]["goal panel -> pilot"].terms]


def test_what_nobody_repairs_is_lost_and_what_is_repaired_is_late():
    found = latencies()[1]
    assert found["picture eye -> panel"].lost == pytest.approx(1 - 0.99**9, rel=0.02)
    assert found["goal panel -> pilot"].lost < 1e-9
    resends = next(t for t in found["goal panel -> pilot"].terms if t.says == "resends")
    assert 0.1 < resends.worst_s < 0.6  # noticed within 0.1 s, by the heartbeat for what is not acknowledged


def test_heartbeats_that_are_rare_make_repairs_slow():
    """Fast DDS: a heartbeat every 3 s where samples are few."""
    mark = latencies()[1]["mark eye -> panel"]
    assert mark.limit.says == "resends"
    assert mark.worst_s > 3


def test_within_a_machine_there_is_no_latency():
    assert latencies()[1]["look eye -> pilot"] == AT_HOME


def test_flows_without_a_way_are_left_out():
    assert (
        "stop panel -> driver"
        not in latencies(("  hello:", "  stop: {size: 9 B, rate: 1 Hz, from: panel, to: driver}\n  hello:"))[
            1
        ]
    )


def test_a_topic_of_unknown_size_is_taken_as_small():
    found = latencies()[1]["hello panel -> pilot"]
    assert 0 < found.best_s < 0.001


def test_a_link_of_unknown_rate_costs_its_delay_alone():
    found = latencies(("rate: 100 Mbit/s, ", ""))[1]["odom driver -> pilot"]
    assert found.best_s == found.worst_s == pytest.approx(0.0003)


def test_samples_wait_for_a_controller_that_is_busy_with_discovery():
    seen = Discovery(15, 100, 50, 1e4, 5e3, 50.0, 5e3, 100)
    found = latencies(machines={"base": MachineFigures(known_participants=11, discovery=seen)})[1]
    waits = next(t for t in found["drive pilot -> driver"].terms if "discovery" in t.says)
    assert waits.worst_s == pytest.approx(10 / 250)
    assert waits.typical_s == 0  # a fifth of the time is no half


def test_legs_carry_latency_pace_and_loss_into_loops():
    site, _ = latencies()
    reach = reach_of(site)
    legs = legs_of(site, latency_of(site, reach, traffic_of(site, reach)))
    picture = next(leg for leg in legs if leg.flow.topic == "picture")
    assert picture.pace.lost.worst_s == pytest.approx(3 * 0.2)  # 8.6 %: three in a row at worst
    steer = loops_of(site, legs)["steer"]
    assert steer.figures.reaction_s == pytest.approx(0.020 + 0.050 + 0.010, abs=0.002)


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from([6, 9, 12, 18, 24, 36, 48, 54]),
    st.sampled_from([6, 9, 12, 18, 24, 36, 48, 54]),
    st.integers(0, 20),
    st.integers(0, 20),
)
def test_a_better_link_never_raises_latency(one, other, loss, more):
    slow, fast = sorted((one, other))
    less, lossy = sorted((loss, more))
    worse = latencies(("rate: 54 Mbit/s", f"rate: {slow} Mbit/s"), ("loss: 1 %", f"loss: {lossy} %"))[1]
    better = latencies(("rate: 54 Mbit/s", f"rate: {fast} Mbit/s"), ("loss: 1 %", f"loss: {less} %"))[1]
    for flow, found in better.items():
        assert found.best_s <= worse[flow].best_s + 1e-9
        assert found.typical_s <= worse[flow].typical_s + 1e-9
        assert found.worst_s <= worse[flow].worst_s + 1e-9
        assert found.lost <= worse[flow].lost + 1e-9


def test_clocks_agree_as_well_as_the_loops_links_let_them():
    """Half of what the slowest way takes more than the quickest, and 64 s of 15 ppm (RFC 5905)."""
    site, _ = latencies(("braking: 0.8 m/s^2", "braking: 0.8 m/s^2, track: 0.3 m"))
    reach = reach_of(site)
    known = latency_of(site, reach, traffic_of(site, reach))
    loops = loops_of(site, legs_of(site, known))
    found = agreements_of(site, loops, known)["steer"]
    spreads = [known[flow].way_s - known[flow].best_s for flow in loops["steer"].path]
    assert found.sync_error_s == pytest.approx(max(spreads) / 2 + 64 * 15e-6)
    assert found.pose.along_m == pytest.approx(0.45 * found.sync_error_s)
    assert found.pose.heading_rad == pytest.approx(2 * 0.45 / 0.3 * found.sync_error_s)


def test_a_loop_within_one_machine_has_one_clock():
    site, _ = latencies(
        ("through: [odom, drive], work", "through: [look], work"), ("topic: odom", "topic: look")
    )
    reach = reach_of(site)
    known = latency_of(site, reach, traffic_of(site, reach))
    assert agreements_of(site, loops_of(site, legs_of(site, known)), known) == {}
