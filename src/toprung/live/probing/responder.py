"""The serving side without its sockets: datagrams in, at most one answer each out.

What is not sealed with the right key, was seen before, or comes from elsewhere than the session's prober
gets no answer.  No answer is larger than what it answers.  Wrong octets never raise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import IntEnum

from toprung.live.probing import messages
from toprung.live.probing.counting import Tally, Window
from toprung.live.probing.keys import Keys, first_keys, session_keys
from toprung.live.probing.limits import Bucket, Limits, bucket
from toprung.live.probing.messages import Ask, Beacon, Bye, Flag, Hello, Message, Ping, Pong, Welcome

MOST_STREAMS = 512  # of one session
MOST_GROUP_BYTES = 512  # of an answer by multicast
HEARD_S = 10.0  # how long a beacon names whom the server heard


class Door(IntEnum):
    """A listening port, by what it is in the domain."""

    DISCOVERY = 0
    USER = 1
    DISCOVERY_GROUP = 2
    USER_GROUP = 3

    @property
    def group(self) -> bool:
        return self >= Door.DISCOVERY_GROUP


@dataclass(frozen=True, slots=True)
class Moment:
    """Now, by the wall clock that is compared and by the steady one that limits use."""

    wall_ns: int
    steady_s: float


@dataclass(frozen=True, slots=True)
class Arrival:
    """Where a datagram came from and in, when, and what its socket had lost by then."""

    host: str
    port: int
    door: Door
    received_ns: int
    overflow: int = 0


@dataclass(frozen=True, slots=True)
class Answer:
    """A datagram to send to a host, or to the group by the interface towards that host.

    `door` None: from a port that never receives.
    """

    octets: bytes
    host: str
    port: int
    door: Door | None = None
    whole: bool = False  # not to be fragmented
    group: bool = False
    tally: Tally | None = None  # where it is counted


@dataclass(slots=True)
class Session:
    """One prober."""

    name: bytes
    keys: Keys
    host: str
    since_s: float
    last_s: float
    last_attempt: int
    welcome: Welcome
    window: Window = field(default_factory=Window)
    tallies: dict[int, Tally] = field(default_factory=dict)
    number: int = 0
    ended: bool = False

    def end(self) -> None:
        """What was counted is forgotten; that it was there is not, or its hello could be used again."""
        self.ended = True
        self.tallies.clear()


@dataclass(frozen=True, slots=True)
class Peer:
    """A prober that was heard, for the server's own account."""

    host: str
    since_s: float
    unicast: int
    group: int
    confirmed: bool  # it went on after the welcome: our answers reach it


@dataclass(slots=True)
class _Heard:
    host: str
    since_s: float
    last_s: float
    unicast: int = 0
    group: int = 0
    confirmed: bool = False


@dataclass(frozen=True, slots=True)
class Post:
    """Where a server stands.  `offer`: what a session may count on; nonces and MTU are filled in."""

    key: str
    domain: int
    own: frozenset[str]  # this machine's addresses
    offer: Welcome


class Responder:
    """All that the server decides.

    nonce: 16 fresh random octets at each call; mtu_towards: the interface's MTU on the way to a host, 0 where
    unknown.
    """

    def __init__(
        self,
        post: Post,
        limits: Limits,
        nonce: Callable[[], bytes],
        mtu_towards: Callable[[str], int] = lambda host: 0,
    ) -> None:
        self.post = post
        self.first = first_keys(post.key)
        self.limits = limits
        self.nonce = nonce
        self.mtu_towards = mtu_towards
        self.sessions: dict[bytes, Session] = {}
        self.by_nonce: dict[bytes, Session] = {}
        self.heard: dict[bytes, _Heard] = {}
        self.refused = 0  # datagrams that got silence
        self._answers: Bucket = bucket(limits.answers_per_s, 1)
        self._bytes: Bucket = bucket(limits.answered_bytes_per_s, messages.MOST_BYTES)
        self._group: Bucket = bucket(limits.group_answers_per_s, 1)

    def feed(self, datagram: bytes | memoryview, arrival: Arrival, now: Moment) -> Answer | None:
        """The answer to one datagram, if it deserves one."""
        answer = self._fed(datagram, arrival, now)
        return answer if answer is not None and len(answer.octets) <= len(datagram) else None

    def _fed(self, datagram: bytes | memoryview, arrival: Arrival, now: Moment) -> Answer | None:
        known = messages.kind_and_session(datagram)
        if known is None:
            return self._silence()
        kind, name = known
        if kind is Hello:
            message = messages.opened(datagram, self.first.asking)
            return self._hello(message, arrival, now) if message is not None else self._silence()
        session = self.sessions.get(name)
        if session is None or session.ended or kind not in (Ping, Ask, Bye) or arrival.host != session.host:
            return self._silence()
        message = messages.opened(datagram, session.keys.asking)
        if message is None or not session.window.fresh(message.number):
            return self._silence()
        session.last_s = now.steady_s
        self.heard[session.welcome.asked].confirmed = True
        match message.body:
            case Ping():
                return self._ping(session, message, message.body, arrival, now)
            case Ask(stream):
                return self._ask(session, message.size_bytes, stream, arrival, now)
            case Bye():
                session.end()
        return None

    def beacon(self, now: Moment) -> bytes:
        """A sign of life to send unasked, a few times a second at most."""
        recent = [(n, h) for n, h in self.heard.items() if now.steady_s - h.last_s <= HEARD_S]
        heard = tuple((n[:8], bool(h.unicast) | bool(h.group) << 1) for n, h in recent)
        return messages.sealed(Beacon(now.wall_ns, heard[-messages.MOST_HEARD :]), self.first.answering)

    def active(self, now: Moment) -> bool:
        """Whether a session is going on; ends those that are over."""
        for session in self.sessions.values():
            late = now.steady_s - session.last_s > self.limits.session_idle_s
            if late or now.steady_s - session.since_s > self.limits.session_s:
                session.end()
        self.sessions = {name: s for name, s in self.sessions.items() if not s.ended}
        return bool(self.sessions)

    def peers(self) -> tuple[Peer, ...]:
        """Who was heard."""
        return tuple(Peer(h.host, h.since_s, h.unicast, h.group, h.confirmed) for h in self.heard.values())

    def _silence(self) -> Answer | None:
        self.refused += 1
        return None

    def _hello(self, message: Message, arrival: Arrival, now: Moment) -> Answer | None:
        body = message.body
        assert isinstance(body, Hello)
        session = self.by_nonce.get(body.nonce)
        meant = body.domain == self.post.domain and ".".join(map(str, body.target)) in self.post.own
        if message.size_bytes < messages.HELLO_BYTES or not meant:
            return self._silence()
        if session is None:
            session = self._opened(body, arrival, now)
            if session is None:
                return self._silence()
        elif session.ended or body.attempt <= session.last_attempt or arrival.host != session.host:
            return self._silence()
        session.last_attempt = body.attempt
        session.last_s = now.steady_s
        heard = self.heard[body.nonce]
        heard.last_s = now.steady_s
        heard.group += arrival.door.group
        heard.unicast += not arrival.door.group
        octets = messages.sealed(session.welcome, self.first.answering, session.name)
        if not self._allowed(len(octets), now):
            return None
        return Answer(octets, arrival.host, arrival.port, _plain(arrival.door))

    def _opened(self, hello: Hello, arrival: Arrival, now: Moment) -> Session | None:
        self.active(now)
        if len(self.sessions) >= self.limits.sessions or len(self.by_nonce) >= self.limits.nonces:
            return None
        nonce = self.nonce()
        name, keys = session_keys(self.post.key, hello.nonce, nonce)
        mtu = self.mtu_towards(arrival.host)
        welcome = replace(self.post.offer, asked=hello.nonce, nonce=nonce, interface_mtu_bytes=mtu)
        steady = now.steady_s
        session = Session(name, keys, arrival.host, steady, steady, -1, welcome)
        self.sessions[name] = self.by_nonce[hello.nonce] = session
        self.heard[hello.nonce] = _Heard(arrival.host, steady, steady)
        return session

    def _ping(
        self, session: Session, message: Message, ping: Ping, arrival: Arrival, now: Moment
    ) -> Answer | None:
        tally = session.tallies.get(ping.stream)
        if tally is None:
            if len(session.tallies) >= MOST_STREAMS:
                return None
            tally = session.tallies[ping.stream] = Tally()
        tally.count(ping, message.size_bytes, arrival.received_ns - ping.sent_ns, arrival.overflow)
        if not messages.LEAST_ASKING_BYTES <= ping.reply_bytes <= message.size_bytes:
            return None
        group = bool(ping.flags & Flag.GROUP)
        if group and (ping.reply_bytes > MOST_GROUP_BYTES or not self._group.take(1, now.steady_s)):
            tally.refused += 1
            return None
        if not self._allowed(ping.reply_bytes, now):
            tally.refused += 1
            return None
        tally.answered += 1
        session.number += 1
        pong = Pong(
            ping.stream,
            ping.sample,
            ping.part,
            ping.parts,
            ping.sent_ns,
            arrival.received_ns,
            now.wall_ns,
        )
        octets = messages.sealed(pong, session.keys.answering, session.name, session.number, ping.reply_bytes)
        fresh = bool(ping.flags & (Flag.FRESH | Flag.GROUP))
        return Answer(
            octets,
            arrival.host,
            ping.reply_port or arrival.port,
            None if fresh else _plain(arrival.door),
            bool(ping.flags & Flag.WHOLE),
            group,
            tally,
        )

    @staticmethod
    def unsent(answer: Answer) -> None:
        """This answer turned out to be too large for the interface."""
        if answer.tally is not None:
            answer.tally.answered -= 1
            answer.tally.unsendable += 1

    def _ask(
        self, session: Session, size_bytes: int, stream: int, arrival: Arrival, now: Moment
    ) -> Answer | None:
        if size_bytes < messages.REPORT_BYTES or not self._allowed(messages.REPORT_BYTES, now):
            return None
        session.number += 1
        report = session.tallies.get(stream, Tally()).report(stream)
        octets = messages.sealed(report, session.keys.answering, session.name, session.number)
        return Answer(octets, arrival.host, arrival.port, _plain(arrival.door))

    def _allowed(self, size_bytes: int, now: Moment) -> bool:
        return self._answers.take(1, now.steady_s) and self._bytes.take(size_bytes, now.steady_s)


def _plain(door: Door) -> Door:
    """What came by multicast is answered from the discovery port."""
    return Door.DISCOVERY if door.group else door
