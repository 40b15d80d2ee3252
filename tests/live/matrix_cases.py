"""The matrix's rows: which fault, on which site, for how long; and what one point of view cannot tell."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from matrix_sites import AIR, CART, LISTS, LOSSY, RELIABLE, ROUTED, SERVED, Shape

ALL = ("cyclone", "fast", "mixed")


@dataclass(frozen=True)
class Row:
    """One fault.  `words` name roles in braces; several: the salt picks one."""

    id: str
    words: tuple[str, ...]
    shapes: tuple[Shape, ...] = (CART, AIR)
    implementations: tuple[str, ...] = ALL
    seconds: float = 10.0
    slow_seconds: float | None = None  # where Fast DDS takes longer (its lease is 20 s)
    also: tuple[str, ...] = ()  # causes that are right here, beside the fault's own
    only: tuple[str, ...] = ()  # of the fault's causes, the ones that are right here
    because: str = ""  # why some implementation is left out

    @property
    def kind(self) -> str:
        return self.words[0].partition(":")[0]


def row(name: str, *words: str, **more) -> Row:
    return Row(name, words, **more)


CYCLONE_ONLY = ("cyclone",)
FAST_ONLY = ("fast",)
IN_AIR, ON_CABLE = (AIR,), (CART,)

ROWS: tuple[Row, ...] = (
    # path
    row("foreign-subnet", "foreign-subnet:{desk}", "foreign-subnet:{base}"),
    row("cut", "cut:air/{desk}", seconds=12),
    row("cut-cable", "cut:cable", shapes=ON_CABLE, seconds=12),
    row("cut-for-a-while", "cut:air/{desk},for=4s", seconds=13),
    row("isolated", "isolated:air", "isolated:air/{desk}"),
    row(
        "isolated-lists",
        "isolated:air/{desk}",
        shapes=(LISTS, replace(LISTS, air=True)),
        only=("path-blocked",),
    ),
    row("multicast-dropped", "multicast-dropped:air", "multicast-dropped:air/{desk}"),
    row("unicast-dropped", "unicast-dropped:air/{desk}", "unicast-dropped:air"),
    row("one-way-to", "one-way:air/{desk},way=to"),
    row("one-way-from", "one-way:air/{desk},way=from"),
    row("ports-closed", "ports-closed:{desk}"),
    row("ports-closed-base", "ports-closed:{base}"),
    row("ttl", "ttl:all", shapes=(ROUTED,)),
    row(
        "small-mtu",
        "small-mtu:air/{desk},above=1100B,way=to",
        "small-mtu:air/{desk},above=1200B,way=to",
        shapes=(replace(CART, scan=(1300, 1350)), replace(AIR, scan=(1300, 1350))),
    ),
    row("fragments-dropped", "fragments-dropped:air/{desk},way=to", "fragments-dropped:air,which=rest"),
    row("cloned-address", "cloned-address:{desk}", seconds=12),
    # heard
    row(
        "wrong-domain",
        "wrong-domain:{panel},domain=5",
        "wrong-domain:{base},domain=3",
        "wrong-domain:{eye},domain=2",
    ),
    row(
        "domain-tag",
        "domain-tag:{panel}",
        "domain-tag:{base}",
        implementations=CYCLONE_ONLY,
        because="Fast DDS 2.9.1 has no domain tags",
    ),
    row("loopback-only", "loopback-only:{brain}", "loopback-only:{pilot}", "loopback-only:{panel}"),
    row(
        "wrong-interface",
        "wrong-interface:{brain},interface=usb0",
        "wrong-interface:{brain},interface=wlan0",
        shapes=ON_CABLE,
    ),
    row("peer-missing", "peer-missing:{desk},lacks={brain}", "peer-missing:{base},lacks={brain}"),
    row("index-beyond", "index-beyond:{brain},lacks={desk}"),
    row(
        "server-down",
        "server-down:all",
        shapes=(SERVED,),
        implementations=FAST_ONLY,
        because="Cyclone DDS has no discovery server",
    ),
    row(
        "server-port",
        "server-port:{panel}",
        shapes=(SERVED,),
        implementations=FAST_ONLY,
        because="Cyclone DDS has no discovery server",
    ),
    row("other-mode", "other-mode:{panel},mode=peers", shapes=IN_AIR),
    row(
        "other-mode-server",
        "other-mode:{panel},mode=server",
        implementations=FAST_ONLY,
        because="Cyclone DDS has no discovery server",
    ),
    row("never-started", "never-started:{panel}", "never-started:{eye}", "never-started:{driver}"),
    row("left", "left:{driver}", "left:{eye}", "left:{panel}", seconds=11),
    row("killed", "killed:{driver}", "killed:{panel}", seconds=19, slow_seconds=27),
    row("lapsing", "lapsing:{driver}", "lapsing:{panel}", seconds=20),
    # introduced
    row(
        "unreachable-address",
        "unreachable-address:{panel}",
        "unreachable-address:{driver},address=192.168.122.1",
    ),
    row(
        "cloned-identity",
        "cloned-identity:{driver},of={panel}",
        implementations=("fast", "mixed"),
        because="Cyclone DDS 11.0.1 lets nobody choose its GUID prefix",
    ),
    row(
        "memory-split",
        "memory-split:{eye}",
        shapes=(replace(CART, neighbours=True), replace(AIR, neighbours=True)),
        implementations=FAST_ONLY,
        because="Cyclone DDS 11.0.1 from PyPI has no shared memory",
    ),
    row(
        "endpoint-left-out",
        "endpoint-left-out:{scan}",
        "endpoint-left-out:{odom},end=writer",
        "endpoint-left-out:{drive}",
    ),
    row("slowed", "slowed:{base}", "slowed:{base},stopped=800ms,running=200ms", seconds=15, also=()),
    row(
        "slowed-much",
        "slowed:{base},stopped=900ms,running=100ms",
        seconds=15,
        shapes=(replace(CART, more=8),),
    ),
    # matched
    row("reliability", "reliability-mismatch:{odom}", "reliability-mismatch:{goal}"),
    row("durability", "durability-mismatch:{beds}", "durability-mismatch:{battery}"),
    row("deadline", "deadline-mismatch:{odom}", "deadline-mismatch:{drive}"),
    row("latency-budget", "latency-budget-mismatch:{drive}", "latency-budget-mismatch:{odom}"),
    row("liveliness", "liveliness-mismatch:{odom}", "liveliness-mismatch:{goal}"),
    row("liveliness-lease", "liveliness-lease-mismatch:{goal}", "liveliness-lease-mismatch:{odom}"),
    row("ownership", "ownership-mismatch:{drive}", "ownership-mismatch:{scan}"),
    row(
        "destination-order",
        "destination-order-mismatch:{odom}",
        implementations=("cyclone", "mixed"),
        because="Fast DDS 2.9.1 makes no reader that orders by source timestamp",
    ),
    row("presentation", "presentation-mismatch:{odom}", "presentation-mismatch:{drive}"),
    row("partition", "partition-mismatch:{scan}", "partition-mismatch:{drive}"),
    row("representation", "representation-mismatch:{scan}", "representation-mismatch:{goal}"),
    row(
        "topic-renamed",
        "topic-renamed:{scan}",
        "topic-renamed:{odom},to=odom,end=writer",
        "topic-renamed:{image},to=cart9/image",
    ),
    row(
        "type-renamed",
        "type-renamed:{drive}",
        "type-renamed:{image},end=writer",
        implementations=("fast", "mixed"),
        because="Cyclone DDS matches by the type's definition, whatever its name",
    ),
    row(
        "type-changed",
        "type-changed:{odom}",
        "type-changed:{scan}",
        implementations=CYCLONE_ONLY,
        because="Fast DDS 2.9.1 announces no type definition by default",
    ),
    # flowing
    row("silent-writer", "silent-writer:{odom}", "silent-writer:{drive}", "silent-writer:{scan}"),
    row("slow-writer", "slow-writer:{odom}", "slow-writer:{image},rate=1Hz", "slow-writer:{drive}"),
    row(
        "random-loss",
        "random-loss:air/{desk},share=14%,way=to",
        "random-loss:air/{desk},share=10%,way=to",
        shapes=(LOSSY, replace(LOSSY, air=True)),
        seconds=11,
    ),
    row(
        "resend-storm",
        "resend-storm:{image},share=6%",
        "resend-storm:{image},share=12%",
        shapes=(replace(CART, image_qos=RELIABLE),),
        seconds=11,
    ),
    row("second-commander", "second-commander:{drive},on={desk}", "second-commander:{drive}", shapes=IN_AIR),
    row(
        "late-reader",
        "late-reader:{beds}",
        shapes=(replace(CART, beds_kept=False), replace(AIR, beds_kept=False)),
        seconds=12,
    ),
    row("thin-link", "thin-link:air", shapes=(replace(CART, image=(52_000,), image_rate=(8,)),), seconds=11),
    # timely
    row("delayed", "delayed:air/{desk},by=450ms", "delayed:air/{desk},by=600ms", seconds=12),
    row("bursts", "bursts:air/{desk},every=800ms", "bursts:air/{desk},every=650ms", seconds=12),
    row(
        "clock-ahead",
        "clock-shifted:{base},by=3s",
        "clock-shifted:{base},by=700ms",
        "clock-shifted:{desk},by=1500ms",
    ),
    row("clock-behind", "clock-shifted:{base},by=-700ms", "clock-shifted:{desk},by=-3s"),
)


@dataclass(frozen=True)
class Healthy:
    """A run in which nothing is wrong, however odd it looks."""

    id: str
    what: str
    shapes: tuple[Shape, ...] = (CART, AIR)
    implementations: tuple[str, ...] = ALL
    seconds: float = 10.0
    capture_after: float | None = None
    words: tuple[str, ...] = ()  # faults that do no harm
    restart: tuple[str, float, bool, float] | None = None  # role, when, with goodbye, back after
    joins: tuple[str, float] | None = None  # role, when it begins
    spare: tuple[str, ...] = field(default=())  # roles of topics that are not judged by counts


HEALTHY: tuple[Healthy, ...] = (
    Healthy("two", "two participants", (Shape(small=True),)),
    Healthy("cart", "the cart with its cable"),
    Healthy("unsaid", "a site that does not say the middleware", (Shape(middleware_said=False),)),
    Healthy("ten", "10 participants", (Shape(more=6), Shape(more=6, air=True))),
    Healthy("sixteen", "16 participants", (Shape(more=12),), seconds=12),
    Healthy("twenty-four", "24 participants", (Shape(more=20),), seconds=14),
    Healthy("lists", "peers lists, no multicast", (LISTS, replace(LISTS, air=True))),
    Healthy("server", "a central discovery server", (SERVED,), FAST_ONLY),
    Healthy(
        "big",
        "large images",
        (replace(CART, image=(110_000,)), replace(AIR, image=(200_000,), image_rate=(3,))),
    ),
    Healthy(
        "big-reliable",
        "large reliable images",
        (replace(CART, image=(250_000,), image_rate=(3,), image_qos=RELIABLE),),
    ),
    Healthy(
        "lossy",
        "1 % loss on the air, within what the topics allow",
        (Shape(air_loss=1, image=(4000,), scan=(1440,), scan_loss=8, image_loss=12),),
        seconds=12,
    ),
    Healthy("late", "capture begun long after discovery", capture_after=9.0),
    Healthy("short", "short capture", seconds=6.0),
    Healthy("short-late", "short capture, begun late", seconds=5.0, capture_after=6.0),
    Healthy(
        "budget", "a base with a budget that suffices", (replace(CART, budget=400), replace(CART, budget=250))
    ),
    Healthy("router", "the desk watches the base across the companion", (ROUTED,)),
    Healthy(
        "one-way-multicast",
        "multicast lost one way, answered by unicast",
        words=("multicast-dropped:air/{desk},way=to",),
        seconds=12,
    ),
    Healthy(
        "restart", "the base killed, restarted, well again", restart=("driver", 2.0, False, 1.0), seconds=16
    ),
    Healthy(
        "restart-clean", "the camera left properly and came back", restart=("eye", 2.0, True, 0.5), seconds=13
    ),
    Healthy("join", "the desk begins later, the kept map still arrives", joins=("panel", 4.0), seconds=13),
)


BOTH_ENDS = "what left and never came shows only where both ends are captured"
CUT = "a link that is cut looks like programs that stopped, or ends the capture with it"
ARRIVAL = "what is lost or late on the way shows only where it should arrive"
ONE_CLOCK = "by one machine's clock, a delay and a clock that is off look the same"
OWN_LIST = "a list shows only on the machine that announces by it, and either one's list would do"

# rows, from where, why it cannot be told from there.  "near": the machine that the fault happens to,
# "far": another one; "writer", "reader": of the broken flow; "one": any single machine
REASONS: tuple[tuple[str, str, str], ...] = (
    ("isolated isolated-lists multicast-dropped unicast-dropped one-way-to one-way-from", "one", BOTH_ENDS),
    ("ttl small-mtu fragments-dropped", "one", BOTH_ENDS),
    ("cut cut-cable cut-for-a-while", "one", CUT),
    ("ports-closed ports-closed-base", "far", "who does not answer was perhaps not reached, or is not there"),
    ("loopback-only", "far", "loopback is in no other machine's capture"),
    ("wrong-interface", "far", "what leaves by another interface is in no other machine's capture"),
    ("peer-missing other-mode other-mode-server", "one", OWN_LIST),
    ("index-beyond", "far", "the port that it took shows only on its own machine"),
    ("server-down", "one", "the server's own machine asks it by loopback, which is not captured"),
    ("server-port", "far", "the question goes to the server alone"),
    ("never-started", "far", "that somebody says nothing shows only on its own machine"),
    ("cloned-identity", "one", "the other bearer of the identity speaks on a link that is not captured"),
    ("silent-writer", "reader", "that nothing is written shows only where it would leave"),
    ("random-loss resend-storm thin-link bursts delayed", "writer", ARRIVAL),
    ("delayed", "reader", ONE_CLOCK),
    ("second-commander", "writer", "the second one's samples go to the reader, not past the first writer"),
    ("clock-ahead clock-behind", "one", ONE_CLOCK),
)
UNSEEN: dict[tuple[str, str], str] = {
    (row, place): why for rows, place, why in REASONS for row in rows.split()
}
