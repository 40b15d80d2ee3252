"""Drafting a site from a picture made by hand: machines, names, links, topics, QoS, rates."""

from dataclasses import replace

import pytest

from toprung.model.picture import (
    Endpoint,
    Guid,
    Locator,
    Mark,
    Participant,
    Picture,
    Samples,
    Side,
    Spread,
    Tally,
    View,
)
from toprung.model.qos import Durability, Qos, Reliability
from toprung.model.site import Discovery, DiscoveryMode, Middleware, Naming
from toprung.model.site_file import load_site
from toprung.model.site_text import site_text
from toprung.observe.drafting import draft, drafted

SECOND = 1_000_000_000
RELIABLE = Qos(reliability=Reliability.RELIABLE)


def seen(number, source, *, announced=(), name="", span_s=(0, 60), **more):
    first, last = (Mark(int(s * SECOND), 0, 1) for s in span_s)
    locators = tuple(Locator(1, a, 7411) for a in announced)
    nothing = ()
    plain = {
        "prefix": bytes([number] * 12),
        "vendor": 0x0110,
        "domain": 0,
        "domain_tag": "",
        "properties": {},
        "builtin_endpoints": 0,
        "secured": False,
        "serves": False,
        "sources": tuple(source.split()),
        "metatraffic_unicast": locators,
        "default_unicast": locators,
        "described": first,
    }
    unknown = dict.fromkeys(("version", "domain_source", "lease_ns", "goodbye"))
    lists = ("metatraffic_multicast", "default_multicast", "unknown_parameters", "announced", "relayed_by")
    empty = dict.fromkeys(lists, nothing)
    return Participant(name=name, first_heard=first, last_heard=last, **unknown, **(empty | plain | more))


def end(participant, side, topic, type_name="nursery::Odom", qos=RELIABLE, number=1):
    guid = Guid(bytes([participant] * 12), number << 8 | (0x03 if side is Side.WRITER else 0x04))
    return Endpoint(guid, participant, side, topic, type_name, None, qos, (), (), (), (), None)


def written(writer, rate_hz, *, p95=None, whole=50, payload=724):
    period = 1 / rate_hz
    mark = Mark(0, 0, 1)
    between = Spread(whole, period, period, period, p95 or period, period)
    address, counts = ("10.0.0.2", 7411), (whole, 0, 0, 0, 0, 1, whole)
    tally = Tally(whole, 1, mark, mark)
    return Samples(
        0, writer.guid, 0, *address, False, None, *counts, tally, rate_hz, between, None, payload, 1, ()
    )


def picture(participants, endpoints=(), samples=(), views=()):
    nothing = ()
    return Picture(
        views, tuple(participants), tuple(endpoints), nothing, nothing, tuple(samples), *[nothing] * 5
    )


def test_machines_are_told_by_the_addresses_sent_from():
    site = draft(picture([seen(1, "10.0.0.1"), seen(2, "10.0.0.2 10.1.0.2"), seen(3, "10.1.0.2")]))
    assert [sorted(m.hosts) for m in site.machines] == [["10.0.0.1"], ["10.0.0.2", "10.1.0.2"]]
    assert [p.machine for p in site.participants] == ["host-10-0-0-1", "host-10-0-0-2", "host-10-0-0-2"]


def test_two_that_announce_each_other_s_address_share_a_machine():
    both = ("10.0.0.2", "10.1.0.2")
    site = draft(picture([seen(1, "10.0.0.2", announced=both), seen(2, "10.1.0.2", announced=both)]))
    assert [sorted(m.hosts) for m in site.machines] == [list(both)]


def test_an_address_that_two_machines_announce_belongs_to_neither():
    bridge = "172.17.0.1"
    ends = [seen(n, f"10.0.0.{n}", announced=(f"10.0.0.{n}", bridge, "127.0.0.1")) for n in (1, 2)]
    assert [m.hosts for m in draft(picture(ends)).machines] == [{"10.0.0.1"}, {"10.0.0.2"}]


def test_a_machine_takes_the_name_of_the_capture_taken_there():
    view = View("a.pcap", "base", 1, 1, 0, 1, frozenset({"10.0.0.1"}))
    site = draft(picture([seen(1, "10.0.0.1"), seen(2, "10.0.0.2")], views=(view,)))
    assert [m.name for m in site.machines] == ["base", "host-10-0-0-2"]


def test_links_are_shared_subnets():
    site = draft(
        picture([seen(1, "10.0.0.1"), seen(2, "10.0.0.2 10.1.0.2"), seen(3, "10.1.0.9"), seen(4, "10.9.0.1")])
    )
    assert [sorted(j.machine for j in link.joins) for link in site.links] == [
        ["host-10-0-0-1", "host-10-0-0-2"],
        ["host-10-0-0-2", "host-10-1-0-9"],
    ]


def test_participants_keep_their_names_where_those_tell_them_apart():
    ends = [
        seen(1, "10.0.0.1", name="driver"),
        seen(2, "10.0.0.2", name="node"),
        seen(3, "10.0.0.2", name="node"),
    ]
    assert [p.name for p in draft(picture(ends)).participants] == [
        "driver",
        "host-10-0-0-2-1",
        "host-10-0-0-2-2",
    ]


def test_no_two_participants_get_one_name():
    ends = [seen(1, "10.0.0.1", name="host-10-0-0-2-1"), seen(2, "10.0.0.2"), seen(3, "10.0.0.2", vendor=1)]
    assert len({p.name for p in draft(picture(ends)).participants}) == 3


def test_one_that_was_started_again_is_one_participant():
    lives = [
        seen(1, "10.0.0.1", name="driver", span_s=(0, 9)),
        seen(2, "10.0.0.1", name="driver", span_s=(10, 60)),
    ]
    together = drafted(picture(lives))
    assert together.names == {0: "driver", 1: "driver"}
    assert len(together.site.participants) == 1
    overlapping = [lives[0], replace(lives[1], first_heard=Mark(8 * SECOND, 0, 1))]
    assert len(draft(picture(overlapping)).participants) == 2


def test_the_domain_with_most_participants_is_written():
    ends = [seen(1, "10.0.0.1", domain=3), seen(2, "10.0.0.2", domain=7), seen(3, "10.0.0.3", domain=7)]
    site = draft(picture(ends))
    assert site.domain == 7
    assert [p.machine for p in site.participants] == ["host-10-0-0-2", "host-10-0-0-3"]


def test_a_discovery_server_is_used_not_declared():
    server = seen(9, "10.0.0.9", announced=("10.0.0.9",), serves=True)
    client = seen(1, "10.0.0.1", vendor=0x010F, relayed_by=(server.prefix,))
    (declared,) = draft(picture([server, client])).participants
    assert declared.discovery == Discovery(DiscoveryMode.SERVER, server=("10.0.0.9", 7411))
    assert declared.middleware is Middleware.FAST


@pytest.mark.parametrize(
    ("rate_hz", "rounded"),
    [(19.97, 19.0), (10.02, 10.0), (0.998, 0.99), (20.0, 20.0), (123.4, 120.0), (0.1, 0.1)],
)
def test_rates_are_rounded_down_to_two_digits(rate_hz, rounded):
    writer = end(0, Side.WRITER, "odom")
    site = draft(picture([seen(0, "10.0.0.1")], [writer], [written(writer, rate_hz)]))
    assert site.topics[0].rate_hz == rounded
    assert site.topics[0].size_bytes == 720


@pytest.mark.parametrize("odd", [{"p95": 1.0}, {"whole": 5}])
def test_an_irregular_or_short_row_of_samples_gives_no_rate(odd):
    writer = end(0, Side.WRITER, "odom")
    site = draft(picture([seen(0, "10.0.0.1")], [writer], [written(writer, 10.0, **odd)]))
    assert site.topics[0].rate_hz is None


def test_qos_is_written_where_all_agree_and_it_says_something():
    late = replace(RELIABLE, durability=Durability.TRANSIENT_LOCAL, deadline_ns=100_000_000)
    writers = [end(0, Side.WRITER, "odom", qos=late), end(1, Side.WRITER, "odom", qos=RELIABLE)]
    reader = end(1, Side.READER, "odom", qos=Qos(partition=("bay",)))
    (topic,) = draft(picture([seen(0, "10.0.0.1"), seen(1, "10.0.0.2")], [*writers, reader])).topics
    assert topic.offered.policies == {"reliability"}
    assert topic.requested.policies == {"reliability", "durability", "partition"}
    assert topic.requested.qos.partition == ("bay",)
    assert len(topic.writers) == 2


def test_prefixed_names_become_topics_and_services():
    ends = [
        end(0, Side.WRITER, "rt/cart1/odom", "cart::dds_::Odometry_"),
        end(1, Side.READER, "rt/cart1/odom", "cart::dds_::Odometry_"),
        end(1, Side.WRITER, "rq/cart1/dockRequest", "cart::dds_::Dock_Request_", number=2),
        end(0, Side.READER, "rq/cart1/dockRequest", "cart::dds_::Dock_Request_", number=2),
        end(0, Side.WRITER, "rr/cart1/dockReply", "cart::dds_::Dock_Response_", number=3),
        end(1, Side.READER, "rr/cart1/dockReply", "cart::dds_::Dock_Response_", number=3),
    ]
    site = draft(picture([seen(0, "10.0.0.1"), seen(1, "10.0.0.2")], ends))
    assert site.naming is Naming.PREFIXED
    assert [(t.name, t.type_name) for t in site.topics] == [("cart1/odom", "cart::Odometry")]
    wire = {(f.wire_topic, f.type_name) for f in site.flows()}
    assert wire == {(e.topic, e.type_name) for e in ends}


def test_a_draft_survives_writing_whatever_the_names():
    odd = [
        seen(0, "10.0.0.1", name='on {"x"}: é\x07'),
        seen(1, "fe80::1 fd00::1"),
        seen(2, "", announced=("10.0.0.7",)),
    ]
    ends = [end(0, Side.WRITER, "yes"), end(1, Side.READER, "yes"), end(1, Side.WRITER, "with blank")]
    site = draft(picture(odd, ends))
    assert load_site(site_text(site)) == site
    assert len(site.flows()) == 1


def test_nothing_seen_is_an_empty_site():
    site = draft(picture([]))
    assert (site.machines, site.participants, site.topics) == ((), (), ())
