"""Announcements of declared participants and endpoints, really encoded, so that their bytes can be counted.

The parameter lists are the measured profile's; names, QoS and addresses are the site's
(DDSI-RTPS 2.5, 9.6.3).  What a site cannot say (process number, GUID) is there with its usual length.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

from toprung.forecast.profile import Groups, Profile
from toprung.model.picture import Guid, Locator, Side
from toprung.model.qos import Qos
from toprung.model.site import DiscoveryMode, StatedQos
from toprung.wire import messages
from toprung.wire.announcements import LIVELINESS_AUTOMATIC, EndpointData, LivelinessData, ParticipantData
from toprung.wire.discovery import DEFAULT_QOS, write_endpoint, write_liveliness, write_participant
from toprung.wire.ids import EntityId
from toprung.wire.locators import Kind
from toprung.wire.parameters import BY_ID

PREFIX = bytes(12)
PORT = 7410
MULTICAST = "239.255.0.1"  # DDSI-RTPS 2.5, 9.6.2.4
WRITERS = {
    "spdp": EntityId.PARTICIPANT_WRITER,
    "pub": EntityId.PUBLICATIONS_WRITER,
    "sub": EntityId.SUBSCRIPTIONS_WRITER,
    "pmd": EntityId.PARTICIPANT_MESSAGE_WRITER,
    "tlq": EntityId.TYPE_LOOKUP_REQUEST_WRITER,
    "tla": EntityId.TYPE_LOOKUP_REPLY_WRITER,
}


@dataclass(frozen=True, slots=True)
class Announced:
    """One participant as it announces itself."""

    name: str
    host: str  # of its machine
    addresses: int  # of the interfaces it uses
    mode: DiscoveryMode


def participant_payload(who: Announced, profile: Profile) -> bytes:
    """The serialised payload of its announcement."""
    p = profile.parameters
    place = Locator(Kind.UDP4, "10.0.0.1", PORT)
    memory = Locator(Kind.SHARED_MEMORY, bytes(16).hex(), PORT)
    plain = (place,) * max(1, who.addresses)
    default = (*plain, *(memory,) * p.shared_memory)
    metatraffic = default if who.mode is not DiscoveryMode.PEERS else plain
    group = (Locator(Kind.UDP4, MULTICAST, PORT),) * (who.mode is DiscoveryMode.MULTICAST)
    counts = {0x31: len(default), 0x32: len(metatraffic), 0x48: len(group), 0x33: len(group)}
    data = ParticipantData(
        Guid(PREFIX, EntityId.PARTICIPANT),
        version=messages.PROTOCOL_VERSION,
        vendor=profile.vendor,
        domain=0,
        name=who.name,
        lease_ns=round(profile.rules.lease_s * 1e9),
        metatraffic_unicast=metatraffic,
        metatraffic_multicast=group,
        default_unicast=default,
        default_multicast=group,
        properties=tuple((key, value.replace("{host}", who.host)) for key, value in p.properties),
        binary_properties=() if p.binary_properties else None,
        unknown=tuple((pid, _grown(octets, who.host)) for pid, octets in p.vendor.items()),
        sent=tuple(_repeated(p.participant, counts)),
    )
    return write_participant(data)


def _grown(octets: bytes, host: str) -> bytes:
    """A vendor's own parameter that names the host: `octets` is what it holds without one."""
    marked = octets.replace(b"{host}", host.encode())
    return marked + bytes(-len(marked) % 4)


def _repeated(order: tuple[int, ...], counts: dict[int, int]) -> Iterable[int]:
    for pid in dict.fromkeys(order):
        yield from [pid] * counts.get(pid, order.count(pid))


def endpoint_bytes(side: Side, topic: str, type_name: str, stated: StatedQos, profile: Profile) -> int:
    """Bytes of an introduction as a submessage, with its time: names of one length make one length."""
    return _endpoint_bytes(side, len(topic.encode()), len(type_name.encode()), stated, profile)


@lru_cache(maxsize=4096)
def _endpoint_bytes(side: Side, topic: int, type_name: int, stated: StatedQos, profile: Profile) -> int:
    payload = endpoint_payload(side, "t" * topic, "T" * type_name, stated, profile)
    return len(Sizes(profile).data("pub", payload))


def endpoint_payload(
    side: Side, topic: str, type_name: str, stated: StatedQos, profile: Profile, addresses: int = 1
) -> bytes:
    """The serialised payload of a writer's or reader's introduction."""
    p = profile.parameters
    writes = side is Side.WRITER
    order, unless = (p.writer, p.writer_unless) if writes else (p.reader, p.reader_unless)
    qos, default = stated.qos, DEFAULT_QOS[side]
    if not writes and not qos.representation:
        qos = replace(qos, representation=p.representations)
    places = (Locator(Kind.UDP4, "10.0.0.1", PORT),) * max(1, addresses)
    places += (Locator(Kind.SHARED_MEMORY, bytes(16).hex(), PORT),) * p.shared_memory
    told = tuple(pid for pid in order if pid not in unless or _differs(pid, qos, default))
    data = EndpointData(
        side,
        Guid(PREFIX, 0x103),
        participant=Guid(PREFIX, EntityId.PARTICIPANT),
        topic=topic,
        type_name=type_name,
        qos=qos,
        unicast=places,
        version=messages.PROTOCOL_VERSION,
        vendor=profile.vendor,
        type_information=bytes(p.type_information_bytes),
        type_max_size=0,
        key_hash=bytes(16),
        unknown=tuple(p.vendor.items()),
        sent=tuple(_repeated(told, {0x2F: len(places)})),
    )
    return write_endpoint(data)


def _differs(pid: int, qos: Qos, default: Qos) -> bool:
    names = [name for name in BY_ID[pid].fields if hasattr(default, name)]
    return any(getattr(qos, name) != getattr(default, name) for name in names)


@dataclass(frozen=True, slots=True)
class Sizes:
    """UDP payload bytes of one library's messages."""

    profile: Profile

    def message(self, *submessages: bytes, addressed: bool) -> int:
        """A message; `addressed`: it names its receiver (INFO_DST)."""
        to = (messages.info_dst(PREFIX),) if addressed else ()
        whole = messages.message(PREFIX, self.profile.vendor, (*to, *submessages))
        return len(whole) + self.profile.parameters.trailer_bytes

    def data(self, writer: str, payload: bytes) -> bytes:
        """A sample of a builtin writer, with its time."""
        return messages.info_ts(0) + messages.data(EntityId.UNKNOWN, WRITERS[writer], 1, payload)

    def announcement(self, payload: bytes) -> int:
        """A participant's announcement."""
        return self.message(self.data("spdp", payload), addressed=self.profile.rules.lively)

    def heartbeats(self, groups: Groups, addressed: bool = True) -> tuple[float, float]:
        """(datagrams, bytes) of heartbeats of builtin writers, one message a group."""
        return self._each(groups, lambda w: messages.heartbeat(EntityId.UNKNOWN, w, 1, 1, 1), addressed)

    def acknacks(self, groups: Groups, missing: int = 0) -> tuple[float, float]:
        """(datagrams, bytes) of answers, of which so many ask for samples by a bitmap."""
        count, size = self._each(groups, lambda w: messages.acknack(EntityId.UNKNOWN, w, 1, (), 1), True)
        return count, size + 4 * missing  # one word of bitmap each (DDSI-RTPS 2.5, 9.4.2.6)

    def _each(self, groups: Groups, make: Callable[[int], bytes], addressed: bool) -> tuple[float, float]:
        sizes = [self.message(*(make(WRITERS[w]) for w in group), addressed=addressed) for group in groups]
        more = self.profile.rules.split * sum(len(group) - 1 for group in groups if group)
        return len(groups) + more, sum(sizes) + more * self.message(addressed=addressed)

    def liveliness(self) -> int:
        """A participant's word that it lives, with its heartbeat."""
        return self.message(self.alive(), self.beat("pmd"), addressed=False)

    def alive(self) -> bytes:
        """The sample of it."""
        payload = write_liveliness(LivelinessData(PREFIX, LIVELINESS_AUTOMATIC, content=bytes(1)))
        return self.data("pmd", payload)

    def beat(self, writer: str) -> bytes:
        """One heartbeat, as a submessage."""
        return messages.heartbeat(EntityId.UNKNOWN, WRITERS[writer], 1, 1, 1)

    def bulk(self, parts: Iterable[int], tail: int) -> tuple[int, int]:
        """(datagrams, bytes) of what is sent to one that asked: `parts` are submessages' bytes, as many of
        them in a message as fit, and `tail` bytes of heartbeats behind them.
        """
        frame = self.message(addressed=True)
        most = self.profile.rules.resend_bytes
        count, size, room = 0, 0, 0
        for part in (*parts, *((tail,) if tail else ())):
            if part > room:
                count, size, room = count + 1, size + frame, most - frame
            size, room = size + part, room - part
        return count, size
