"""Declared QoS meet by the same rules as announced ones."""

import pytest

from toprung.forecast.matching import in_force, matcher
from toprung.model.ladder import State
from toprung.model.picture import Side
from toprung.model.qos import Qos
from toprung.model.site import Middleware, StatedQos
from toprung.model.site_file import load_site


def verdict(qos="{}", writer="cyclone", reader="cyclone"):
    site = load_site(f"""
site: fernhouse
machines: {{base: {{}}, brain: {{}}}}
participants:
  driver: {{machine: base, middleware: {writer}}}
  pilot: {{machine: brain, middleware: {reader}}}
topics: {{odom: {{from: driver, to: pilot, qos: {qos}}}}}
""")
    (flow,) = site.flows()
    return matcher(site).judge(flow)


def test_what_is_left_out_matches():
    for writer in ("cyclone", "fast", "other"):
        for reader in ("cyclone", "fast", "other"):
            assert verdict("{}", writer, reader).state is State.HELD


# Request/offer table of DDS 1.4, 2.2.3, as CHECKS 2.3 derives it from public libraries' sources
TRUTHS = [
    ("offered: {reliability: reliable}, requested: {reliability: best_effort}", None),
    ("offered: {reliability: best_effort}, requested: {reliability: reliable}", "qos-reliability"),
    ("offered: {durability: transient_local}, requested: {durability: volatile}", None),
    ("offered: {durability: volatile}, requested: {durability: transient_local}", "qos-durability"),
    ("offered: {deadline: 50 ms}, requested: {deadline: 100 ms}", None),
    ("offered: {deadline: 100 ms}, requested: {deadline: 50 ms}", "qos-deadline"),
    ("requested: {deadline: 1 s}", "qos-deadline"),
    (
        "offered: {liveliness: {kind: manual_by_topic, lease: 1 s}}, "
        "requested: {liveliness: {kind: automatic, lease: 2 s}}",
        None,
    ),
    (
        "offered: {liveliness: {kind: automatic, lease: 2 s}}, "
        "requested: {liveliness: {kind: automatic, lease: 1 s}}",
        "qos-liveliness",
    ),
    (
        "offered: {liveliness: {kind: automatic, lease: 1 s}}, "
        "requested: {liveliness: {kind: manual_by_participant, lease: 1 s}}",
        "qos-liveliness",
    ),
    ("offered: {ownership: exclusive}, requested: {ownership: shared}", "qos-ownership"),
    (
        "offered: {destination_order: by_reception_timestamp}, "
        "requested: {destination_order: by_source_timestamp}",
        "qos-destination-order",
    ),
    (
        "offered: {presentation: {scope: group}}, requested: {presentation: {scope: topic, coherent: true}}",
        "qos-presentation",
    ),
    ("offered: {latency_budget: 10 ms}, requested: {latency_budget: 0 s}", "qos-latency-budget"),
    ("offered: {history: keep_last}, requested: {history: keep_all}", None),
    ("offered: {lifespan: 100 ms}", None),
    ("offered: {data_representation: xcdr2}, requested: {data_representation: xcdr1}", "data-representation"),
    (
        "offered: {data_representation: [xcdr1, xcdr2]}, requested: {data_representation: xcdr2}",
        "data-representation",
    ),
    ("offered: {data_representation: xcdr2}, requested: {data_representation: [xcdr1, xcdr2]}", None),
    ("offered: {partition: [A]}", "partition"),
    ("offered: {partition: ['A*']}, requested: {partition: [AB]}", None),
]


@pytest.mark.parametrize(("qos", "code"), TRUTHS)
def test_declared_policies_follow_the_request_offer_rules(qos, code):
    found = verdict("{" + qos + "}").finding
    assert (found.code if found else None) == code
    if found:
        assert found.evidence == ()
        assert "driver" in found.says


def test_a_librarys_default_stands_in_for_what_is_left_out():
    """Captured: Cyclone DDS readers announce XCDR1 and XCDR2, Fast DDS readers nothing, which means XCDR1."""
    newer = "{offered: {data_representation: xcdr2}}"
    assert verdict(newer, "cyclone", "cyclone").state is State.HELD
    assert verdict(newer, "cyclone", "fast").finding.code == "data-representation"
    assert in_force(StatedQos(Qos()), None, Side.READER) == Qos()
    assert in_force(StatedQos(Qos()), Middleware.CYCLONE, Side.READER).representation == (0, 2)
    stated = StatedQos(Qos(representation=(0,)), frozenset({"data_representation"}))
    assert in_force(stated, Middleware.CYCLONE, Side.READER).representation == (0,)


def test_fast_dds_among_itself_overlooks_what_it_does_not_check():
    budget = "{offered: {latency_budget: 10 ms}, requested: {latency_budget: 0 s}}"
    assert verdict(budget, "fast", "fast").state is State.HELD
    assert verdict(budget, "fast", "cyclone").finding.code == "qos-latency-budget"


def test_fast_dds_runs_without_an_endpoint_ordered_by_source():
    order = "{destination_order: by_source_timestamp}"
    assert verdict(order, "cyclone", "cyclone").state is State.HELD
    assert verdict(order, "cyclone", "fast").finding.code == "endpoint-absent"
