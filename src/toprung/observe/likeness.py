"""How much a participant on the wire resembles a declared one.

The weights are ours: a machine counts about as much as two common topics out of two, and no single trait
is decisive, so that one fault (a renamed topic, a wrong domain, an odd address) leaves the rest to decide.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from difflib import SequenceMatcher

from toprung.model.picture import Endpoint, Participant, Picture, Side
from toprung.model.site import DeclaredFlow, Middleware, Site
from toprung.observe.places import Places
from toprung.wire.vendors import CYCLONE, FAST

MACHINE, OTHER_MACHINE = 6.0, -4.0
DOMAIN, OTHER_DOMAIN = 0.5, -0.5
NAME = 3.0
TOPICS, ALMOST = 8.0, 0.6  # all topics in common; a topic that differs but has the same side and type
VENDOR, OTHER_VENDOR = 0.5, -0.5
STRANGE_TOPIC = -0.5  # each topic that the declared one does not have, up to four
LIKE_NAME = 0.75  # ratio of matching characters from which two topic names may be one misspelt

VENDORS = {Middleware.CYCLONE: CYCLONE, Middleware.FAST: FAST}

Feature = tuple[Side, str]


@dataclass(frozen=True, slots=True)
class Profile:
    """What the site declares of one participant."""

    name: str
    machine: str
    vendor: int | None
    topics: frozenset[Feature] = frozenset()
    types: Counter[Feature] = field(default_factory=Counter)


def profiles_of(site: Site, flows: Sequence[DeclaredFlow]) -> list[Profile]:
    """One profile a declared participant, in the site's order."""
    topics: dict[str, set[Feature]] = defaultdict(set)
    types: dict[str, dict[Feature, str | None]] = defaultdict(dict)
    for flow in flows:
        for name, side in ((flow.writer, Side.WRITER), (flow.reader, Side.READER)):
            topics[name].add((side, flow.wire_topic))
            types[name][side, flow.wire_topic] = flow.type_name
    return [
        Profile(
            p.name,
            p.machine,
            VENDORS.get(p.middleware) if p.middleware else None,
            frozenset(topics[p.name]),
            Counter((side, t) for (side, _), t in types[p.name].items() if t is not None),
        )
        for p in site.participants
    ]


def endpoints_by_participant(picture: Picture) -> dict[int, list[Endpoint]]:
    """Endpoints, by index of their participant."""
    found: dict[int, list[Endpoint]] = defaultdict(list)
    for endpoint in picture.endpoints:
        found[endpoint.participant].append(endpoint)
    return found


@dataclass(frozen=True, slots=True)
class Resemblance:
    """A score and the traits that speak for it."""

    score: float
    traits: tuple[str, ...]

    @property
    def counts(self) -> bool:
        """Whether anything at all speaks for it."""
        return bool(self.traits) and self.score > 0


def resemblance(
    profile: Profile,
    participant: Participant,
    machine: str | None,
    endpoints: Iterable[Endpoint],
    domain: int,
) -> Resemblance:
    """How much `participant`, seen on `machine` with these endpoints, resembles the declared one."""
    score, traits = 0.0, []
    if machine is not None:
        same = machine == profile.machine
        score += MACHINE if same else OTHER_MACHINE
        traits += ["its machine"] * same
    if participant.domain is not None:
        score += DOMAIN if participant.domain == domain else OTHER_DOMAIN
    if participant.name and participant.name == profile.name:
        score += NAME
        traits.append("its name")
    seen = {(e.side, e.topic) for e in endpoints if e.topic is not None}
    types = Counter((e.side, e.type_name) for e in endpoints if e.type_name is not None)
    if seen:
        common, share = _in_common(profile, seen, types)
        score += TOPICS * share + STRANGE_TOPIC * min(4, len(seen - profile.topics))
        if common:
            traits.append(f"{common} of {len(profile.topics)} topics")
    if profile.vendor is not None and participant.vendor:
        score += VENDOR if profile.vendor == participant.vendor else OTHER_VENDOR
    return Resemblance(score, tuple(traits))


def _in_common(
    profile: Profile, seen: set[tuple[Side, str]], types: Counter[tuple[Side, str]]
) -> tuple[int, float]:
    """Topics in common, and the share of all declared ones; one of like name or type counts in part."""
    common = profile.topics & seen
    almost = 0.0
    left = set(seen - profile.topics)
    for side, topic in sorted(profile.topics - seen):
        like = next((f for f in sorted(left) if f[0] is side and alike(f[1], topic)), None)
        if like is not None:
            left.discard(like)
            almost += ALMOST
    same_types = sum((types & profile.types).values()) / max(1, sum(profile.types.values()))
    share = (len(common) + almost) / max(1, len(profile.topics))
    return len(common), max(share, 0.5 * same_types)


def alike(one: str, other: str) -> bool:
    """Whether two topic names may be one, misspelt."""
    one, other = one.lower().strip("/"), other.lower().strip("/")
    return one == other or SequenceMatcher(None, one, other).ratio() >= LIKE_NAME


def place_of(places: Places, participant: Participant) -> str | None:
    """The participant's machine; a relay's addresses say nothing of it."""
    return places.of(participant)
