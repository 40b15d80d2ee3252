"""Nothing is wrong, however odd it looks."""

from __future__ import annotations

import signal

from edits import (
    MULTICAST,
    air,
    aux,
    both_qos,
    container_bridge,
    declare,
    everywhere,
    first,
    peers,
    restart,
    routed,
    server,
    set_,
    size,
    start_at,
    to_brain_too,
)

from cases.case import healthy

CASES = (
    healthy("cyc_cart", "one vendor, cart with private usb link", "cyclone", usb=True),
    healthy("fast_cart", "one vendor, cart with private usb link", "fast", usb=True),
    healthy("mix_cart", "mixed vendors, cart with private usb link", "mixed", usb=True),
    healthy("cyc_wifi", "all on wifi", "cyclone"),
    healthy("fast_wifi", "all on wifi", "fast"),
    healthy("mix_wifi2", "mixed the other way round, all on wifi", "mixed2"),
    healthy("fast_server", "central discovery server on cartbrain", "fast", server()),
    healthy("cyc_peers", "peers lists, no multicast", "cyclone", peers()),
    healthy("fast_late", "capture started long after discovery", "fast", set_(capture_after=9.0)),
    healthy("cyc_many", "12 participants", "cyclone", aux(8, "cyclone")),
    healthy("fast_many", "10 participants", "fast", aux(6, "fast")),
    healthy(
        "cyc_late", "capture started long after discovery", "cyclone", set_(capture_after=11.0), usb=True
    ),
    healthy("mix_late", "capture started long after discovery", "mixed", set_(capture_after=8.0)),
    healthy(
        "cyc_latejoin",
        "desk started 4 s later, latched bed map still arrives",
        "cyclone",
        start_at(4, "desk_view"),
        set_(seconds=12.0),
        shaky=("scan", "image"),
    ),
    healthy(
        "fast_latejoin",
        "desk started 4 s later, latched bed map still arrives",
        "fast",
        start_at(4, "desk_view"),
        set_(seconds=12.0),
        shaky=("scan", "image"),
        usb=True,
    ),
    healthy(
        "cyc_mildloss",
        "1 % packet loss, within what the site allows",
        "cyclone",
        size("image", 4000),
        size("scan", 1440),
        declare("scan", loss="8 %"),
        declare("image", loss="12 %"),
        air("ip protocol udp numgen random mod 100 < 1 drop"),
    ),
    healthy(
        "fast_mildloss",
        "1 % packet loss, within what the site allows",
        "fast",
        size("image", 4000),
        size("scan", 1440),
        declare("scan", loss="8 %"),
        declare("image", loss="12 %"),
        air("ip protocol udp numgen random mod 100 < 1 drop"),
        usb=True,
    ),
    healthy(
        "cyc_restart",
        "base killed at 2 s, restarted, well again",
        "cyclone",
        restart("base_drive", 2, signal.SIGKILL, 1.0),
        set_(seconds=14.0),
    ),
    healthy(
        "fast_restart",
        "base killed at 2 s, restarted, well again",
        "fast",
        restart("base_drive", 2, signal.SIGKILL, 1.0),
        set_(seconds=14.0),
        usb=True,
    ),
    healthy(
        "fast_restartclean",
        "camera left properly at 2 s and came back",
        "fast",
        restart("brain_cam", 2, signal.SIGTERM, 0.5),
        set_(seconds=12.0),
    ),
    healthy("fast_bigimage", "large images", "fast", size("image", 110000)),
    healthy(
        "cyc_bigimage",
        "large reliable images",
        "cyclone",
        size("image", 250000),
        both_qos("image", reliability="reliable"),
        usb=True,
    ),
    healthy("cyc_short", "short capture", "cyclone", set_(seconds=6.0)),
    healthy("fast_short", "short capture", "fast", set_(seconds=6.0), usb=True),
    healthy(
        "mix_shortlate", "short capture, begun late", "mixed", set_(seconds=5.0, capture_after=6.0), usb=True
    ),
    healthy(
        "fast_multihomed",
        "two machines with container bridges that nobody else can reach",
        "fast",
        container_bridge("cartbrain", "172.17.0.1"),
        container_bridge("desk", "172.18.0.1"),
        usb=True,
    ),
    healthy(
        "cyc_mconeway",
        "multicast from the desk is lost, and answered by unicast",
        "cyclone",
        air(f"iifname desk {MULTICAST} drop"),
        first("desk_view"),
        set_(seconds=11.0),
    ),
    healthy(
        "fast_mconeway",
        "multicast towards the desk is lost, and answered by unicast",
        "fast",
        air(f"oifname desk {MULTICAST} drop"),
    ),
    healthy("fast_peers", "peers lists, no multicast", "fast", peers()),
    healthy("cyc_domain", "in domain 12", "cyclone", set_(domain=12), usb=True),
    healthy("fast_domain", "in domain 31", "fast", set_(domain=31)),
    healthy("cyc_slowbeat", "with a lease of 4 s", "cyclone", everywhere(lease=4)),
    healthy("cyc_router", "the desk watches the base across a router", "cyclone", routed, usb=True),
    healthy(
        "fast_router",
        "the desk watches the base across a router",
        "fast",
        routed,
        everywhere(ttl=8),
        usb=True,
    ),
    healthy(
        "fast_memory", "camera and navigation share memory on one machine", "fast", to_brain_too(), usb=True
    ),
)
