"""Endpoints do not match."""

from __future__ import annotations

from edits import (
    reader,
    reader_qos,
    writer,
    writer_qos,
)

from cases.case import Case, case


def _policy(
    name: str, middleware: str, cause: str, topic: str, offered: dict, requested: dict, **more
) -> Case:
    """A writer that offers less than its reader requests."""
    return case(
        f"m_{name}",
        f"{cause.partition('-')[2]} offered by the writer of {topic} does not satisfy its reader",
        middleware,
        "matched",
        cause,
        (topic,),
        writer_qos(topic, **offered),
        reader_qos(topic, **requested),
        **more,
    )


def _matched() -> tuple[Case, ...]:
    shared, own = {"ownership": "shared"}, {"ownership": "exclusive"}
    slow, quick = {"deadline": 1.0}, {"deadline": 0.2}
    alive, asks = {"liveliness": "automatic"}, {"liveliness": "manual_by_topic"}
    old, new = {"representation": ["xcdr1"]}, {"representation": ["xcdr2"]}
    return (
        _policy("cyc_reliability", "cyclone", "qos-reliability", "goal", {"reliability": "best_effort"}, {}),
        _policy("cyc_deadline", "cyclone", "qos-deadline", "odom", slow, quick, usb=True),
        _policy(
            "cyc_latency",
            "cyclone",
            "qos-latency-budget",
            "drive",
            {"latency_budget": 0.5},
            {"latency_budget": 0.01},
        ),
        _policy("cyc_liveliness", "cyclone", "qos-liveliness", "odom", alive, asks),
        _policy(
            "cyc_livelease",
            "cyclone",
            "qos-liveliness",
            "goal",
            {"liveliness": "automatic", "liveliness_lease": 5},
            {"liveliness": "automatic", "liveliness_lease": 1},
            usb=True,
        ),
        _policy("cyc_ownership", "cyclone", "qos-ownership", "drive", shared, own),
        _policy(
            "cyc_order",
            "cyclone",
            "qos-destination-order",
            "scan",
            {},
            {"destination_order": "by_source_timestamp"},
        ),
        _policy(
            "cyc_presentation",
            "cyclone",
            "qos-presentation",
            "odom",
            {},
            {"access_scope": "topic", "ordered": True},
            usb=True,
        ),
        _policy("cyc_representation", "cyclone", "data-representation", "scan", new, old),
        _policy("fast_deadline", "fast", "qos-deadline", "odom", slow, quick),
        _policy("fast_liveliness", "fast", "qos-liveliness", "goal", alive, asks, usb=True),
        _policy(
            "fast_livelease",
            "fast",
            "qos-liveliness",
            "odom",
            {"liveliness": "automatic", "liveliness_lease": 6},
            {"liveliness": "automatic", "liveliness_lease": 2},
        ),
        _policy("fast_ownership", "fast", "qos-ownership", "drive", shared, own),
        _policy(
            "fast_durability", "fast", "qos-durability", "battery", {"durability": "volatile"}, {}, usb=True
        ),
        _policy("mix_durability", "mixed", "qos-durability", "beds", {"durability": "volatile"}, {}),
        _policy(
            "mix_reliability",
            "mixed",
            "qos-reliability",
            "odom",
            {"reliability": "best_effort"},
            {},
            usb=True,
        ),
        _policy("mix_deadline", "mixed", "qos-deadline", "drive", {}, {"deadline": 0.3}),
        _policy("mix_ownership", "mixed2", "qos-ownership", "drive", own, shared),
        _policy("mix_liveliness", "mixed", "qos-liveliness", "scan", alive, asks, usb=True),
        _policy("mix_representation", "mixed", "data-representation", "scan", new, {}),
        _policy(
            "mix_order",
            "mixed",
            "qos-destination-order",
            "odom",
            {},
            {"destination_order": "by_source_timestamp"},
        ),
        _policy(
            "mix_presentation",
            "mixed",
            "qos-presentation",
            "drive",
            {},
            {"access_scope": "topic", "ordered": 1},
        ),
        _policy(
            "mix_latency",
            "mixed",
            "qos-latency-budget",
            "odom",
            {"latency_budget": 0.5},
            {"latency_budget": 0.01},
            usb=True,
        ),
        _policy(
            "mix_livelease",
            "mixed2",
            "qos-liveliness",
            "goal",
            {"liveliness": "automatic", "liveliness_lease": 6},
            {"liveliness": "automatic", "liveliness_lease": 2},
        ),
        case(
            "m_cyc_partition",
            "odom is written in the partition west",
            "cyclone",
            "matched",
            "partition",
            ("odom",),
            writer_qos("odom", partition=["west"]),
        ),
        case(
            "m_fast_partition",
            "drive is read in the partition spare",
            "fast",
            "matched",
            "partition",
            ("drive",),
            reader_qos("drive", partition=["spare", "test*"]),
            usb=True,
        ),
        case(
            "m_fast_topic",
            "base writes odom without the cart's name",
            "fast",
            "matched",
            "topic-name",
            ("odom",),
            writer("odom", topic="odom"),
        ),
        case(
            "m_mix_topic",
            "desk subscribes cart1/Image (capital letter)",
            "mixed",
            "matched",
            "topic-name",
            ("image",),
            reader("image", topic="cart1/Image"),
            usb=True,
        ),
        case(
            "m_cyc_topicns",
            "the navigation subscribes cart2/odom",
            "cyclone",
            "matched",
            "topic-name",
            ("odom",),
            reader("odom", topic="cart2/odom"),
        ),
        case(
            "m_fast_type",
            "base expects an older type name",
            "fast",
            "matched",
            "type-name",
            ("drive",),
            reader("drive", type="nursery_v1::Drive"),
        ),
        case(
            "m_mix_type",
            "desk expects another type name",
            "mixed",
            "matched",
            "type-name",
            ("image",),
            reader("image", type="nursery::Picture"),
            usb=True,
        ),
        case(
            "m_cyc_type",
            "desk expects another type name and definition",
            "cyclone",
            "matched",
            "type-name type-definition",
            ("scan",),
            reader("scan", type="nursery_v1::Scan", layout="Ldddds"),
        ),
        case(
            "m_cyc_typedef",
            "same type name, another definition",
            "cyclone",
            "matched",
            "type-definition",
            ("odom",),
            reader("odom", layout="Lds"),
            usb=True,
        ),
        case(
            "m_cyc_typedef2",
            "same type name, another member order",
            "cyclone",
            "matched",
            "type-definition",
            ("scan",),
            reader("scan", layout="Ldds"),
        ),
    )


CASES = (
    case(
        "m_cyc_durability",
        "beds offered volatile, requested transient local",
        "cyclone",
        "matched",
        "qos-durability",
        ("beds",),
        writer_qos("beds", durability="volatile"),
    ),
    case(
        "m_fast_reliability",
        "odom offered best effort, requested reliable",
        "fast",
        "matched",
        "qos-reliability",
        ("odom",),
        writer_qos("odom", reliability="best_effort"),
        usb=True,
    ),
    case(
        "m_mix_partition",
        "desk reads the scan in another partition",
        "mixed",
        "matched",
        "partition",
        ("scan",),
        reader_qos("scan", partition=["east"]),
    ),
    case(
        "m_cyc_topic",
        "desk subscribes cart1/scann",
        "cyclone",
        "matched",
        "topic-name",
        ("scan",),
        reader("scan", topic="cart1/scann"),
    ),
    *_matched(),
)
