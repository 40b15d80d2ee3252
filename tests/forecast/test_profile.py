"""Measured profiles: what real captures in the corpus hold against what is encoded from them."""

import gzip
import json
from pathlib import Path
from statistics import median

import pytest

from toprung.forecast.announcing import Announced, Sizes, endpoint_payload, participant_payload
from toprung.forecast.profile import profile_of
from toprung.model.picture import Side
from toprung.model.qos import Qos, Reliability
from toprung.model.site import DiscoveryMode, Middleware, StatedQos
from toprung.wire.discovery import read_endpoint, read_participant
from toprung.wire.ids import EntityId, Sub
from toprung.wire.scan import Scan

CORPUS = Path(__file__).parents[1] / "data" / "corpus"
RELIABLE = StatedQos(Qos(reliability=Reliability.RELIABLE, history_depth=16))
VENDORS = {0x0110: Middleware.CYCLONE, 0x010F: Middleware.FAST}


def announced(case, capture):
    """(vendor, payload, inline QoS, writer) of every announcement in a capture of the corpus."""
    raw = gzip.decompress((CORPUS / case / f"{capture}.pcap.gz").read_bytes())
    scan = Scan(raw)
    for block in scan.blocks():
        rows = block.submessages
        for row in range(block.n_submessages):
            if rows.kind[row] == Sub.DATA:
                vendor = int(block.messages.vendor[rows.message[row]])
                yield vendor, bytes(block.payload(row)), bytes(block.inline_qos(row)), int(rows.writer[row])


CASES = [("d_cyc_index", "cartbase"), ("h_cyc_peers", "cartbrain"), ("t_fast_late", "cartbase")]


@pytest.mark.parametrize(("case", "capture"), CASES)
def test_encoded_endpoints_are_as_long_as_real_ones(case, capture):
    """What the libraries sent of themselves, and what is made of the profile and the same names and QoS."""
    compared = 0
    for vendor, payload, inline, writer in announced(case, capture):
        side = {EntityId.PUBLICATIONS_WRITER: Side.WRITER, EntityId.SUBSCRIPTIONS_WRITER: Side.READER}.get(
            writer
        )
        said = side and read_endpoint(payload, side, inline).data
        if not said or said.status or not said.topic or vendor not in VENDORS:
            continue
        if vendor == 0x0110 and 0x001E in said.sent:  # DURABILITY_SERVICE, which a site does not declare
            continue
        profile = profile_of(VENDORS[vendor])
        places = sum(locator.kind == 1 for locator in said.unicast) or 1
        made = endpoint_payload(side, said.topic, said.type_name, StatedQos(said.qos), profile, places)
        assert abs(len(made) - len(payload)) <= 12
        compared += 1
    assert compared


@pytest.mark.parametrize(("case", "capture"), CASES)
def test_encoded_participants_are_as_long_as_real_ones(case, capture):
    compared = 0
    for vendor, payload, inline, writer in announced(case, capture):
        said = read_participant(payload, inline).data if writer == EntityId.PARTICIPANT_WRITER else None
        if said is None or said.status or not said.name or vendor not in VENDORS:
            continue
        mode = DiscoveryMode.PEERS if "peers" in case or "index" in case else DiscoveryMode.MULTICAST
        host = dict(said.properties).get("__Hostname", capture)
        places = sum(locator.kind == 1 for locator in said.default_unicast)
        who = Announced(said.name, host, places, mode)
        made = participant_payload(who, profile_of(VENDORS[vendor]))
        if vendor == 0x0110 and bool(said.metatraffic_multicast) != (mode is DiscoveryMode.MULTICAST):
            continue
        assert abs(len(made) - len(payload)) <= 60
        compared += 1
    assert compared


@pytest.mark.parametrize("middleware", [Middleware.CYCLONE, Middleware.FAST])
def test_encoded_announcements_can_be_read(middleware):
    profile = profile_of(middleware)
    said = read_participant(
        participant_payload(Announced("pilot", "brain", 2, DiscoveryMode.MULTICAST), profile)
    )
    assert said.malformed == ()
    assert said.data.name == "pilot"
    assert said.data.lease_ns == profile.rules.lease_s * 1e9
    assert sum(locator.kind == 1 for locator in said.data.metatraffic_unicast) == 2
    for side in (Side.WRITER, Side.READER):
        read = read_endpoint(endpoint_payload(side, "cart/odom", "a::Odom", RELIABLE, profile), side)
        assert read.malformed == ()
        assert (read.data.topic, read.data.type_name) == ("cart/odom", "a::Odom")
        assert read.data.qos.reliability is Reliability.RELIABLE


def test_messages_are_as_captured():
    """Cyclone DDS 11.0.1 and Fast DDS 2.9.1, from captures of two machines: UDP payload bytes."""
    cyclone, fast = (Sizes(profile_of(m)) for m in (Middleware.CYCLONE, Middleware.FAST))
    who = Announced("p0_0", "m0", 1, DiscoveryMode.MULTICAST)
    assert cyclone.announcement(participant_payload(who, cyclone.profile)) == 424
    assert fast.announcement(participant_payload(who, fast.profile)) == 504
    assert cyclone.liveliness() == 116
    beats = cyclone.profile.rules.heartbeats[0]
    frame, one = cyclone.message(addressed=True), len(cyclone.beat("pub"))
    assert frame + len(beats) * one == 196
    assert fast.heartbeats((("pub",),)) == (1, 128)
    assert fast.heartbeats((("pub",),), addressed=False) == (1, 112)
    assert fast.acknacks((("pub",),)) == (1, 124)


def test_longer_names_make_longer_announcements():
    profile = profile_of(None)
    short, long = (len(endpoint_payload(Side.WRITER, "t" * n, "a::B", RELIABLE, profile)) for n in (3, 30))
    assert long - short in (24, 28)  # the string's padding is to four bytes


def test_bulk_fits_its_messages():
    sizes = Sizes(profile_of(Middleware.CYCLONE))
    count, octets = sizes.bulk((400,) * 10, 96)
    frame = sizes.message(addressed=True)
    assert count == 4  # three of 400 fit into 1,456 bytes with the frame
    assert octets == 4000 + 96 + 4 * frame
    assert sizes.bulk((), 0) == (0, 0)


def test_who_is_not_said_is_taken_for_the_usual_one():
    assert profile_of(None) is profile_of(Middleware.CYCLONE)
    assert profile_of(Middleware.OTHER) is profile_of(Middleware.CYCLONE)
    assert profile_of(Middleware.CYCLONE).central is None


def test_the_check_of_discovery_holds():
    """docs/discovery_check.json, as measured: medians within the bars (10 and 15 %, times 25 %).

    Loads by library, mode and number of participants; times by library and mode.
    """
    path = Path(__file__).parents[2] / "docs" / "discovery_check.json"
    rows = json.loads(path.read_text(encoding="utf-8"))["rows"]
    bars = {"cyclone": 0.10, "fast": 0.15}
    for library, mode, count in {(r["library"], r["mode"], r["participants"]) for r in rows}:
        same = [r for r in rows if (r["library"], r["mode"]) == (library, mode)]
        own = [r for r in same if r["participants"] == count]
        assert abs(median(r["datagrams"] for r in own) - 1) <= bars[library]
        assert abs(median(r["bytes"] for r in own) - 1) <= bars[library]
        assert abs(median(r["introduced"] for r in same) - 1) <= 0.25
