"""Pictures of real captures against what the peers themselves counted, and against scapy."""

from __future__ import annotations

import io
import logging
import warnings
from collections import Counter
from dataclasses import replace

import pytest

from tests.observe.captures import captures, picture, site, truths
from toprung.model.picture import DomainSource, Side
from toprung.model.qos import Reliability
from toprung.observe import look, recognise
from toprung.wire.scan import Scan

CASES = sorted(truths())
EARLY_S = 1.5  # a capture may begin after the first samples and end before the last ones
pytestmark = pytest.mark.skipif(not CASES, reason="NOT CHECKED: no captures with known truth")


def counted(case):
    """(flow, sent, received, written on the wire at the writer's, whole at the reader's)."""
    seen, declared, truth = picture(case), site(case), truths()[case]["samples"]
    cast = recognise(declared, seen)
    for flow in declared.flows():
        counts = truth.get(f"{flow.topic} {flow.writer} -> {flow.reader}")
        machine = declared.participant(flow.reader).machine
        lives = cast.lives_of(flow.writer)
        writers = {
            e.guid
            for e in seen.endpoints
            if e.side is Side.WRITER and e.participant in lives and cast.topic_of(e) == flow.wire_topic
        }
        views = {v for v in range(len(seen.views)) if cast.view_machine(v) == machine}
        streams = [s for s in seen.samples if s.writer in writers and s.view in views and not s.outgoing]
        if counts and writers and views and machine != declared.participant(flow.writer).machine:
            yield flow, counts, sum(s.whole for s in streams), streams


@pytest.mark.parametrize("case", CASES)
def test_whole_samples_at_the_reader_are_those_it_received(case):
    """Within the samples that were written outside the capture's time."""
    for flow, counts, whole, streams in counted(case):
        if counts["received"] == 0 or len(streams) != 1:
            continue
        sent = counts["sent"] or counts["received"]  # a killed writer could not say
        view = picture(case).views[streams[0].view]
        possible = (view.last_ns - view.first_ns) / 1e9 * (flow.rate_hz or 1)
        outside = 2 + EARLY_S * (flow.rate_hz or 1)
        assert whole <= sent + 1, flow.flow
        assert whole >= min(counts["received"], sent, possible) - outside, flow.flow
        if counts["sent"] == counts["received"] and streams[0].reader_entity == 0:
            assert streams[0].missing + streams[0].partial <= 1, flow.flow


def test_sizes_rates_and_fragments_of_a_healthy_cart():
    if "h_cyc_cart" not in truths():
        pytest.skip("NOT CHECKED: h_cyc_cart is not there")
    found = {flow.topic: streams[0] for flow, _, _, streams in counted("h_cyc_cart")}
    assert found["cart1/odom"].rate_hz == pytest.approx(20, rel=0.02)
    assert found["cart1/odom"].between.p50 == pytest.approx(0.05, rel=0.03)
    assert found["cart1/image"].fragments == 30  # 40 kB in fragments of 1,344 bytes
    assert found["cart1/scan"].payload_bytes == pytest.approx(2880, rel=0.02)
    assert 0 < found["cart1/odom"].age.p50 < 0.001


def test_lost_fragments_make_partial_samples():
    if "f_fast_lossbig" not in truths():
        pytest.skip("NOT CHECKED: f_fast_lossbig is not there")
    (image,) = (
        streams[0] for flow, _, _, streams in counted("f_fast_lossbig") if flow.topic == "cart1/image"
    )
    assert image.whole < 0.2 * image.partial
    assert image.holes
    lossy = [c for c in picture("f_fast_lossbig").crossings if c.fragmented and c.sent > 50]
    assert lossy
    assert min(c.arrived / c.sent for c in lossy) < 0.3


@pytest.mark.parametrize("case", CASES)
def test_datagrams_equal_those_that_scapy_finds(case):
    """scapy 2.6's IP and UDP layers, on each case's smallest capture: datagrams by way, SPDP among them."""
    machine, capture = min(captures(case).items(), key=lambda item: len(item[1]))
    expected = scapy_ways(capture)
    seen = look([(machine, Scan(capture))])
    found = Counter()
    for s in seen.streams:
        kinds = [t for t in (s.discovery, s.data) if t is not None]
        found[s.source, s.destination, s.port] += sum(t.count for t in kinds)
    assert {way: n for way, n in found.items() if n} == expected


def scapy_ways(capture):
    """(source, destination, port) -> RTPS datagrams with submessages of endpoints, first fragments only."""
    logging.getLogger("scapy").setLevel(logging.ERROR)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from scapy.layers.inet import IP, UDP
        from scapy.utils import rdpcap
    ways = {}
    for packet in rdpcap(io.BytesIO(capture)):
        if IP not in packet or UDP not in packet or packet[IP].frag:
            continue
        payload = bytes(packet[UDP].payload)
        if payload[:4] != b"RTPS" or not entity_submessages(payload):
            continue
        key = (packet[IP].src, packet[IP].dst, packet[UDP].dport)
        lane = (getattr(packet, "ifindex", 0), getattr(packet, "pkttype", 0) == 4)
        ways.setdefault(key, Counter())[lane] += 1
    return {key: sum(directions(lanes).values()) for key, lanes in ways.items()}


def directions(lanes):
    """The busiest interface of each direction speaks for the others."""
    best = Counter()
    for (_, outgoing), n in lanes.items():
        best[outgoing] = max(best[outgoing], n)
    return best


def entity_submessages(payload):
    """Submessages of endpoints in an RTPS message (DDSI-RTPS 2.5, 9.4.5.1): kinds 0x06..0x08, 0x12..0x16."""
    at, found = 20, 0
    while at + 4 <= len(payload):
        kind, flags = payload[at], payload[at + 1]
        length = int.from_bytes(payload[at + 2 : at + 4], "little" if flags & 1 else "big")
        found += kind in (0x06, 0x07, 0x08, 0x12, 0x13, 0x15, 0x16)
        if length == 0 and kind not in (0x01, 0x09):
            break
        at += 4 + length
    return found


def test_a_clock_that_is_ahead():
    if "t_fast_clock" not in truths():
        pytest.skip("NOT CHECKED: t_fast_clock is not there")
    seen = picture("t_fast_clock")
    labels = [v.machine for v in seen.views]
    offsets = {(labels[c.one], labels[c.other]): c for c in seen.clocks}
    assert offsets["cartbase", "cartbrain"].offset_s == pytest.approx(-3.5, abs=1e-4)
    assert offsets["cartbrain", "desk"].offset_s == pytest.approx(0, abs=1e-4)
    assert all(c.error_s < 1e-3 for c in seen.clocks)


@pytest.mark.parametrize("case", CASES)
def test_own_addresses_are_the_capturing_machines(case):
    """By the site, but for the case whose very fault is another address."""
    seen, declared = picture(case), site(case)
    for view in seen.views:
        machine = declared.machine(view.machine)
        others = {h for m in declared.machines if m.name != machine.name for h in m.hosts}
        if view.own_addresses:
            assert not view.own_addresses & others, (view.label, view.own_addresses)


def test_what_cyclone_and_fast_announce():
    if "h_mix_cart1" not in truths():
        pytest.skip("NOT CHECKED: h_mix_cart1 is not there")
    seen = picture("h_mix_cart1")
    by_vendor = {p.vendor: p for p in seen.participants}
    cyclone, fast = by_vendor[0x0110], by_vendor[0x010F]
    assert (cyclone.domain, cyclone.domain_source) == (0, DomainSource.PARAMETER)
    assert (fast.domain, fast.domain_source) == (0, DomainSource.MULTICAST_PORT)
    assert (cyclone.lease_ns, fast.lease_ns) == (10 * 10**9, 20 * 10**9)  # their defaults, WIRE notes
    periods = [a.period for a in fast.announced if a.multicast and a.period]
    assert max(p.most for p in periods) == pytest.approx(3.0, abs=0.2)  # Fast DDS announces every 3 s
    scan = next(e for e in seen.endpoints if e.topic == "cart1/scan" and e.side is Side.WRITER)
    assert scan.qos.reliability is Reliability.BEST_EFFORT


def test_a_discovery_server_is_told_from_what_it_passes_on():
    if "h_fast_server" not in truths():
        pytest.skip("NOT CHECKED: h_fast_server is not there")
    seen = picture("h_fast_server")
    (server,) = (p for p in seen.participants if p.serves)
    relayed = {p.name: p.relayed_by for p in seen.participants if p.relayed_by}
    assert relayed == {"brain_nav": (server.prefix,), "brain_cam": (server.prefix,)}  # what others use
    assert not any(e.participant == seen.participants.index(server) for e in seen.endpoints)


@pytest.mark.parametrize("case", CASES[:4])
def test_one_thread_or_two_see_the_same(case, monkeypatch):
    monkeypatch.setattr("toprung.observe.pipeline.FIRST_BLOCKS", 1)
    for place in ("scan.BATCH", "stages.BATCH", "stages.MESSAGES"):
        monkeypatch.setattr(f"toprung.wire.{place}", 64)

    def once(threads):
        scans = [(machine, Scan(data, label=machine)) for machine, data in captures(case).items()]
        return look(scans, threads=threads)

    assert once(1) == once(2)


def test_nothing_to_see():
    import struct

    empty = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1)
    seen = look([("base", Scan(empty, label="empty")), ("desk", Scan(empty, label="empty too"))])
    assert [v.packets for v in seen.views] == [0, 0]
    assert replace(seen, views=()) == type(seen)(*[()] * 11)
