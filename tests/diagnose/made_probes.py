"""Results of a probe between brain and base of the packaged example, made up."""

from __future__ import annotations

from dataclasses import replace

from toprung.model.probe import ClockCheck, Party, PortCheck, ProbeResults, SizeCheck, Way

BASE, BRAIN, DESK, AIR = "10.77.1.2", "10.77.1.1", "10.77.2.40", "10.77.2.21"
USES = ("discovery unicast", "user unicast", "discovery multicast", "user multicast")
WHOLE = SizeCheck(1472, None, 1472)
TORN = SizeCheck(65507, None, 65507)
STARTED = 1_800_000_000_000_000_000


def ports(unicast=5, multicast=5, sent=5):
    arrived = (unicast, unicast, multicast, multicast)
    return tuple(
        PortCheck(use, 9150 + n, True, "multicast" in use, sent, came)
        for n, (use, came) in enumerate(zip(USES, arrived, strict=True))
    )


def way(sender, receiver, **more):
    return replace(Way(sender, receiver, 1500, ports(), WHOLE, TORN), **more)


def results(there=None, back=None, near=BRAIN, far=BASE, **more):
    made = ProbeResults(
        "brain-base.json",
        STARTED,
        8.0,
        7,
        "0123abcd",
        True,
        Party("brain", (near,)),
        Party("base", (far,)),
        way(near, far, **(there or {})),
        way(far, near, **(back or {})),
        clock=ClockCheck(0.0001, 0.0002, None),
    )
    return replace(made, **more)


BLOCKED = {"ports": ports(0, 0)}
