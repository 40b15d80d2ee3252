"""Records the packaged example: the fernhouse cart on a bad morning, real peers, three faults.

    python tests/live/fernhouse.py [FOLDER]

The base's program offers odometry best effort where the navigation requests reliable; the desk subscribes
cart1/Scan; the camera's program writes two pictures a second instead of five.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from captures import pack
from lab import Lab, build_fast_peer

TARGET = Path(__file__).resolve().parents[2] / "src" / "toprung" / "examples" / "fernhouse"
SECONDS = 9.0
RELIABLE, BEST = {"reliability": "reliable"}, {"reliability": "best_effort"}
KEPT = {"reliability": "reliable", "durability": "transient_local"}


def endpoint(topic: str, kind: str, layout: str, size: int, qos: dict, **more) -> dict:
    return {
        "topic": f"cart1/{topic}",
        "type": f"cart::{kind}",
        "layout": layout,
        "size": size,
        "qos": qos,
        **more,
    }


def participants() -> dict[str, dict]:
    odom = ("odom", "Odometry", "Lddds", 720)
    battery = ("battery", "Battery", "Lfs", 64)
    drive = ("drive", "Drive", "Ldds", 48)
    scan, picture = ("Scan", "Ls", 2880), ("picture", "Picture", "LLLs", 12000)
    beds, goal = ("bed_map", "BedMap", "Ls", 9000), ("goal", "Goal", "Ldds", 120)
    return {
        "driver": {
            "machine": "base",
            "middleware": "cyclone",
            "writers": [endpoint(*odom, BEST, rate=50), endpoint(*battery, KEPT, rate=1)],
            "readers": [endpoint(*drive, RELIABLE)],
        },
        "pilot": {
            "machine": "brain",
            "middleware": "cyclone",
            "writers": [
                endpoint(*drive, RELIABLE, rate=20),
                endpoint("scan", *scan, BEST, rate=10),
                endpoint(*beds, KEPT, count=1),
            ],
            "readers": [endpoint(*odom, RELIABLE), endpoint(*battery, KEPT), endpoint(*goal, RELIABLE)],
        },
        "eye": {
            "machine": "brain",
            "middleware": "cyclone",
            "writers": [endpoint(*picture, BEST, rate=2)],
            "readers": [],
        },
        "panel": {
            "machine": "desk",
            "middleware": "fast",
            "writers": [endpoint(*goal, RELIABLE, rate=1)],
            "readers": [endpoint("Scan", *scan, BEST), endpoint(*picture, BEST), endpoint(*beds, KEPT)],
        },
    }


def record(target: Path) -> dict[str, dict]:
    """Run it; leave base, brain and desk.pcap.gz in `target`; return what the peers counted."""
    with tempfile.TemporaryDirectory() as folder, Lab(Path(folder)) as lab:
        build_fast_peer(lab.tools)
        lab.air()
        base, brain, desk = (lab.machine(n) for n in ("base", "brain", "desk"))
        lab.cable(base, "usb0", "10.77.1.2/24", brain, "usb0", "10.77.1.1/24")
        lab.join(brain, "wlan0", "10.77.2.21/24")
        lab.join(desk, "wlan0", "10.77.2.40/24")
        for machine, interface in ((base, "usb0"), (brain, "any"), (desk, "wlan0")):
            lab.record(machine, interface)
        time.sleep(0.3)
        for name, spec in participants().items():
            lab.peer(lab.machines[spec["machine"]], {**spec, "name": name, "domain": 7, "seconds": 60})
        time.sleep(SECONDS)
        lab.stop_recording()
        lab.stop_peers()
        target.mkdir(parents=True, exist_ok=True)
        for name in ("base", "brain", "desk"):
            pack(Path(folder) / f"{name}.pcap", target / f"{name}.pcap.gz")
        return {p.name: p.counts() for p in lab.peers}


if __name__ == "__main__":
    for name, counts in record(Path(sys.argv[1]) if len(sys.argv) > 1 else TARGET).items():
        sys.stdout.write(f"{name}: {counts}\n")
