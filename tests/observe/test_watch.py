"""Captures folded as they grow: the same as read from the file, and bounded whoever comes and goes."""

from __future__ import annotations

import random
import struct
from contextlib import nullcontext
from dataclasses import dataclass, replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.observe.captures import captures, truths
from tests.observe.folding import uncompiled
from tests.wire import frames
from toprung.errors import CaptureError
from toprung.model.picture import Guid, Locator
from toprung.observe import departed, look
from toprung.observe.watch import Watch
from toprung.wire.announcements import EndpointData, InlineQos, ParticipantData, Status
from toprung.wire.discovery import Side, write_endpoint, write_inline_qos, write_participant
from toprung.wire.scan import Scan

CASES = [c for c in ("h_fast_server", "d_fast_killed", "h_mix_latejoin", "f_fast_lossbig") if c in truths()]
SECOND = 1_000_000_000
START = 1_760_000_000 * SECOND
HERE = Locator(1, "10.77.1.8", 7411)


def fed(data, cuts):
    """A watch that was given every capture in pieces."""
    watch = Watch([(machine, machine) for machine in data])
    for view, capture in enumerate(data.values()):
        ends = sorted({min(cut, len(capture)) for cut in cuts} | {0, len(capture)})
        for begin, end in pairwise(ends):
            watch.feed(view, capture[begin:end])
    return watch


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("alone", [False, True])
def test_fed_in_pieces_it_shows_what_reading_the_file_shows(case, alone):
    data = captures(case)
    if alone:
        data = dict(list(data.items())[-1:])
    rng, cuts, at = random.Random(case), [], 0
    while at < max(map(len, data.values())):
        at += rng.choice((1, 7, 24, 4_000, 70_000, 1_000_000))
        cuts.append(at)
    read = look([(machine, Scan(capture, label=machine)) for machine, capture in data.items()])
    watch = fed(data, cuts)
    watch.picture()  # looking changes nothing
    assert watch.end() == read


@settings(max_examples=40)
@given(st.lists(st.integers(0, 30_000), max_size=40))
def test_wherever_it_is_cut(cuts):
    capture = capture_of(visits(range(2)))
    assert fed({"base": capture}, cuts).end() == look([("base", Scan(capture, label="base"))])


def test_what_is_no_capture_is_said_at_once():
    watch = Watch([("base", "usb0")])
    watch.feed(0, b"no")  # too short to tell
    with pytest.raises(CaptureError, match="usb0: this is not a capture"):
        watch.feed(0, b"thing like a capture of packets")


# -- who comes and goes


@dataclass(frozen=True)
class Visitor:
    """A participant that lives for three seconds of its own, with a writer and a reader."""

    number: int

    @property
    def prefix(self):
        return b"\1\x10" + self.number.to_bytes(10, "big")

    @property
    def begins(self):
        return START + self.number * SECOND

    @property
    def place(self):
        return Locator(1, f"10.77.1.{10 + self.number % 90}", 7412 + self.number % 50_000)

    @property
    def leaves(self):
        """Every second one says goodbye."""
        return self.number % 2 == 0


HOST = Visitor(49_999)  # is here before the others, and after them
WRITER, READER = 0x103, 0x104


def announcement(who):
    data = ParticipantData(
        Guid(who.prefix, 0x1C1), version=(2, 5), lease_ns=4 * SECOND, metatraffic_unicast=(who.place,),
        default_unicast=(who.place,),
    )  # fmt: skip
    return frames.data(1, write_participant(data), writer=0x100C2)


def goodbye(who):
    data = ParticipantData(Guid(who.prefix, 0x1C1), Status.DISPOSED | Status.UNREGISTERED)
    qos = write_inline_qos(InlineQos(status=data.status))
    return frames.data(2, write_participant(data), qos, writer=0x100C2)


def introduction(who, side, entity):
    data = EndpointData(side, Guid(who.prefix, entity), topic="cart1/odom", type_name="cart::Odometry")
    return frames.data(1, write_endpoint(data), writer=0x3C2 if side is Side.WRITER else 0x4C2)


def acknowledgement(who, number):
    to = frames.sub(0x0E, who.prefix)
    numbers = struct.pack(">II", READER, WRITER) + frames.number(number + 1) + struct.pack("<II", 0, number)
    return to + frames.sub(0x06, numbers, 2)


def sent(time_ns, who, target, port, *submessages):
    message = frames.message(*submessages, prefix=who.prefix)
    packet = frames.ipv4(frames.udp(message, target=port), who.place.address, target)
    return time_ns, frames.ethernet(packet)


def visit(who, seconds=3):
    """Datagrams of one visitor and of the host towards it, in order."""
    group, at = "239.255.0.1", who.begins
    here, there = (who.place.address, who.place.port), (HOST.place.address, HOST.place.port)
    yield sent(at, who, group, 7400, announcement(who))
    yield sent(at + 1000, HOST, *here, announcement(HOST), introduction(HOST, Side.READER, READER))
    yield sent(at + 2000, who, *there, introduction(who, Side.WRITER, WRITER))
    for number in range(1, 10 * seconds):
        now = at + number * SECOND // 10
        yield sent(now, who, *there, frames.data(number), frames.heartbeat(1, number, number))
        yield sent(now + 1000, HOST, *here, acknowledgement(who, number))
        yield sent(now + 2000, HOST, group, 7401, frames.data(host_number(now)))
    if who.leaves:
        yield sent(at + seconds * SECOND, who, group, 7400, goodbye(who))


def host_number(now):
    return (now - START) // 1_000_000


def visits(numbers):
    packets = [packet for number in numbers for packet in visit(Visitor(number))]
    packets += [
        sent(START + s * SECOND, HOST, "239.255.0.1", 7400, announcement(HOST))
        for s in range(min(numbers), max(numbers) + 3, 2)
    ]
    return sorted(packets, key=lambda packet: packet[0])


def capture_of(packets):
    return frames.pcap(*(frames.record(frame, time_ns) for time_ns, frame in packets))


def without_visits(participant):
    """A participant but for what it said to single visitors."""
    return replace(participant, announced=tuple(a for a in participant.announced if a.multicast))


def datagrams(picture):
    return sum(t.count for s in picture.streams for t in (s.discovery, s.data) if t)


def known_of(picture):
    """What a picture says of every GUID, without places in its lists."""
    prefixes = [p.prefix for p in picture.participants]
    return (
        {p.prefix: without_visits(p) for p in picture.participants},
        {e.guid: replace(e, participant=0, introduced=()) for e in picture.endpoints},
        {(s.writer, s.reader_entity, s.destination, s.port): s for s in picture.samples},
        {(d.writer, d.reader): d for d in picture.dialogues},
        {
            (prefixes[s.participant], s.destination, s.port): replace(s, participant=0)
            for s in picture.streams
        },
    )


def test_the_departed_make_room_and_those_who_are_here_stay_as_they_are():
    capture = capture_of(visits(range(300)))
    watch = fed({"base": capture}, range(0, len(capture), 50_000))
    kept, every = watch.end(), look([("base", Scan(capture, label="base"))])
    assert len(every.participants) == 301
    rest = watch.rests[0]
    assert rest.participants > 150
    assert rest.participants + len(kept.participants) == 301
    assert HOST.prefix in {p.prefix for p in kept.participants}
    latest = {Visitor(n).prefix for n in range(300 - departed.MOST_DEPARTED, 300)}
    assert latest <= {p.prefix for p in kept.participants}
    for mine, whole in zip(known_of(kept), known_of(every), strict=True):
        assert mine
        assert {key: whole[key] for key in mine} == mine
    assert rest.datagrams + datagrams(kept) == datagrams(every)


@pytest.mark.parametrize("compiled", [True, False])
def test_again_and_again_in_small_tables(monkeypatch, compiled):
    """Numbers are given anew many times; the kernels as they are written, too."""
    monkeypatch.setattr(departed, "MORE", 3)
    monkeypatch.setattr(departed, "MOST_DEPARTED", 2)
    capture = capture_of(visits(range(40)))
    with nullcontext() if compiled else uncompiled():
        watch = fed({"base": capture}, range(0, len(capture), 2_000))
        kept = watch.end()
    every = look([("base", Scan(capture, label="base"))])
    assert watch.rests[0].participants + len(kept.participants) == 41
    assert len(kept.participants) < 14
    for mine, whole in zip(known_of(kept), known_of(every), strict=True):
        assert {key: whole[key] for key in mine} == mine
    assert watch.rests[0].datagrams + datagrams(kept) == datagrams(every)


def test_the_last_life_of_a_program_outlasts_earlier_ones_of_others(monkeypatch):
    """Visitors 2 to 40 are one program that is started again and again; visitor 1 is another."""
    monkeypatch.setattr(departed, "MORE", 3)
    monkeypatch.setattr(departed, "MOST_DEPARTED", 2)
    alike = Locator(1, "10.77.1.9", 7400)
    monkeypatch.setattr(Visitor, "place", property(lambda v: HERE if v.number == 1 else alike))
    capture = capture_of(visits(range(1, 40)))
    kept = fed({"base": capture}, range(0, len(capture), 2_000)).end()
    assert Visitor(1).prefix in {p.prefix for p in kept.participants}
    assert Visitor(9).prefix not in {p.prefix for p in kept.participants}
