"""Endpoints are not introduced."""

from __future__ import annotations

from edits import (
    at,
    aux,
    locators,
    no_endpoint,
    set_,
    spec,
    to_brain_too,
)
from plan import pause

from cases.case import BASE, DESK, NAV, case

CASES = (
    case(
        "i_fast_locator",
        "cartbrain's navigation announces only an unreachable address",
        "fast",
        "introduced",
        "unreachable-locator",
        NAV,
        locators("172.30.9.1", "brain_nav"),
    ),
    case(
        "i_cyc_locator",
        "base announces only an unreachable address",
        "cyclone",
        "introduced",
        "unreachable-locator",
        BASE,
        locators("172.30.4.1", "base_drive"),
    ),
    case(
        "i_mix_locator",
        "desk announces only an unreachable address",
        "mixed",
        "introduced",
        "unreachable-locator",
        DESK,
        locators("192.168.122.1", "desk_view"),
    ),
    case(
        "i_fast_sameid",
        "base and desk use one GUID prefix",
        "fast",
        "introduced",
        "duplicate-identity",
        (*BASE, *DESK),
        spec("base_drive", prefix="01.0f.aa.bb.10.20.30.40.00.00.00.01"),
        spec("desk_view", prefix="01.0f.aa.bb.10.20.30.40.00.00.00.01"),
        race=True,
    ),
    case(
        "i_fast_memory",
        "camera and navigation run in containers that do not share memory",
        "fast",
        "introduced",
        "shared-memory-split",
        ("image>brain_nav",),
        to_brain_too(),
        spec("brain_cam", own_memory=True),
        usb=True,
    ),
    case(
        "i_cyc_overload",
        "12 participants; base computer runs a tenth of the time",
        "cyclone",
        "introduced timely heard",
        "discovery-overload machine-overloaded",
        ("odom", "drive"),
        aux(8, "cyclone", 5),
        at(0.6, pause("base_drive", 0.9, 0.1)),
        set_(seconds=15.0),
        shaky=("battery",),
        moving=True,
    ),
    case(
        "i_cyc_noreader",
        "desk has no reader of the scan",
        "cyclone",
        "introduced",
        "endpoint-absent",
        ("scan",),
        no_endpoint("readers", "scan"),
    ),
    case(
        "i_fast_nowriter",
        "base has no writer of the odometry",
        "fast",
        "introduced",
        "endpoint-absent",
        ("odom",),
        no_endpoint("writers", "odom"),
        usb=True,
    ),
    case(
        "i_mix_noreader",
        "base has no reader of the velocity commands",
        "mixed",
        "introduced",
        "endpoint-absent",
        ("drive",),
        no_endpoint("readers", "drive"),
    ),
)
