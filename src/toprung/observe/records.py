"""The fixed-size records that the fold kernels fill: one int64 row a key, columns named here only.

Times are nanoseconds of the capturing clock, packets 1-based numbers.  Everything is allocated once, at the
greatest size; pages that are never touched cost nothing, so memory grows with the number of keys alone.
"""

from __future__ import annotations

from enum import IntEnum, auto

MAX_SAMPLE_STREAMS = 16_384  # (writer, reader, destination, direction); further ones are counted as overflow
MAX_DIALOGUES = 16_384
MAX_STREAMS = 16_384  # (sender, source, destination, direction)
MAX_CALLS = 65_536  # (announcement, sender, destination, direction)
MAX_FRESH = 32_768  # submessages of one block
MAX_LANES = 512  # (source address, direction)
MAX_ASSEMBLIES = 2_048  # sample streams that use DATA_FRAG

WINDOW = 4_096  # sequence numbers that a stream remembers one by one, less up to 63
WHOLE, PARTIAL, EXCUSED = range(3)  # what is remembered of them
ASSEMBLY_SLOTS = 4  # samples in DATA_FRAGs that a stream puts together at a time
ASSEMBLY_FRAGMENTS = 8_192  # of one sample, remembered one by one
HOLES = 8  # holes that a stream remembers
MOST_CHAIN = 1_024  # dialogues of one writer that a heartbeat to anybody reaches
LOAD_BINS = 512
LOAD_BIN_NS = 100_000_000  # to begin with; doubled whenever the capture outgrows the bins
SAME_ANNOUNCEMENT_NS = 2_000_000  # copies of one announcement, on several interfaces or twice in a row
PRINTS = 131_072  # datagrams a view remembers for other views, before it keeps every second one only

BINS = 512  # of a log histogram: 16 to an octave, from 2**10 to 2**42
FLOOR_BITS = 10
SUB_BITS = 4
MAX_HISTOGRAMS = 65_536  # of one scan, for all quantities but
MAX_PERIODS = 8_192  # periods of announcements, which another thread may count


class Field(IntEnum):
    """Columns counted from 0."""

    @staticmethod
    def _generate_next_value_(name: str, start: int, count: int, last_values: list[int]) -> int:
        return count


class SampleField(Field):
    """One writer's samples towards one destination; what every sample touches stands first."""

    ROWS = auto()  # DATA and DATA_FRAG submessages
    BYTES = auto()  # of their payloads
    FIRST_NS = auto()
    FIRST_PACKET = auto()
    LAST_NS = auto()
    LAST_PACKET = auto()
    TOP = auto()  # the greatest number that samples or gaps account for; the window ends here
    LAST = auto()  # the greatest number of a sample
    WHOLE = auto()  # different numbers that are there completely
    NEWEST = auto()  # the greatest whole number
    NEWS = auto()  # whole samples that were the newest on arrival
    NEWS_LAST_NS = auto()
    BETWEEN = auto()  # histogram of times between these (a handle: row plus one, 0 none)
    BETWEEN_LEAST = auto()
    BETWEEN_MOST = auto()
    START = auto()  # the sequence number seen first
    AGE_ABOVE = auto()  # histograms of ages, by their distance above
    AGE_BELOW = auto()  # and below
    AGE_BASE = auto()  # this
    AGE_LEAST = auto()
    AGE_MOST = auto()
    SIZE_COMMON = auto()  # majority vote (Boyer and Moore 1991) over whole samples
    SIZE_VOTES = auto()
    SIZE_LARGEST = auto()  # also of partial samples, as far as it is known
    FRAGMENTS = auto()  # of the largest
    NEWS_FIRST_NS = auto()
    LEAST = auto()  # the least number: below START where history followed
    EARLIER = auto()  # whole or partial ones below START
    PARTIAL = auto()  # different numbers that are not there completely
    REPEATS = auto()
    EXCUSED = auto()  # numbers above START that a GAP covers
    HOLES = auto()  # remembered holes
    SOURCE = auto()  # address of the first datagram
    MULTICAST = auto()
    ASSEMBLY = auto()  # row of the assembly table, plus one
    NEXT = auto()  # the writer's next stream, plus one
    WIDTH = auto()


class TalkField(Field):
    """One dialogue of a writer and a reader about delivery."""

    BEATS = auto()
    BEAT_BYTES = auto()
    BEAT_FIRST_NS = auto()
    BEAT_FIRST_PACKET = auto()
    BEAT_LAST_NS = auto()
    BEAT_LAST_PACKET = auto()
    ACKS = auto()
    ACK_BYTES = auto()
    ACK_FIRST_NS = auto()
    ACK_FIRST_PACKET = auto()
    ACK_LAST_NS = auto()
    ACK_LAST_PACKET = auto()
    ASKED = auto()
    WRITTEN = auto()
    ACKNOWLEDGED = auto()
    DEMANDS = auto()  # heartbeats that demand an answer, since the last answer
    DEMAND_FIRST_NS = auto()
    DEMAND_LAST_NS = auto()
    BEAT_COUNT = auto()  # the last heartbeat's own count, to tell copies
    ACK_COUNT = auto()
    ANSWERS = auto()  # histogram of times to an answer (a handle)
    ANSWER_LEAST = auto()
    ANSWER_MOST = auto()
    NEXT = auto()  # the writer's next dialogue, plus one
    WIDTH = auto()


class CallField(Field):
    """One announcement on one way: a tally, then facts."""

    COUNT = auto()
    BYTES = auto()
    FIRST_NS = auto()
    FIRST_PACKET = auto()
    LAST_NS = auto()
    LAST_PACKET = auto()
    TTL = auto()
    MULTICAST = auto()
    WRITER = auto()  # entity id
    BEAT_NS = auto()  # the last announcement that is no copy
    PERIODS = auto()  # histogram of times between announcements (a handle)
    PERIOD_LEAST = auto()
    PERIOD_MOST = auto()
    WIDTH = auto()


class StreamField(Field):
    """Datagrams of one sender to one destination: four tallies of six columns each, then facts."""

    DISCOVERY = 0
    DATA = 6
    FRAGMENTED = 12
    INCOMPLETE = 18
    ANY = 24
    LARGEST = 30
    TTL = 31
    VENDOR = 32
    MULTICAST = 33
    PIECES = 34
    UNREADABLE = 35
    WIDTH = 36


TALLY_WIDTH = 6  # count, bytes, first ns, first packet, last ns, last packet
