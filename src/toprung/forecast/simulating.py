"""The layout of the discovery simulation's tables: one list each for messages, timers and rules.

Kernel, its preparation and its test oracle read these; `toprung.forecast.simulation` says what they mean.
"""

from __future__ import annotations

from enum import IntEnum


class Kind(IntEnum):
    """What a message or timer is; from START on they are timers.  a and b are participants."""

    CALL = 0  # a's announcement, by multicast or as to a peer: b answers it
    REPLY = 1  # a's announcement to b alone
    EARLY = 2  # a's builtin writers tell b, whom a just met, what they have
    HEARTBEAT = 3  # the same because b asked
    ASK = 4  # a's builtin readers have had no heartbeat of b
    NACK = 5  # a misses what b has
    LITTLE = 6  # a has no endpoints yet
    DATA = 7  # all endpoints of a
    ACK = 8  # a has all of b
    FRESH = 9  # endpoints of a that were made just now
    CONFIRM = 10  # a's heartbeat because not all have acknowledged
    START = 11
    MADE = 12  # a's endpoints are made
    SWEEP = 13  # leases
    BURST = 14  # a's next first announcement
    PERIOD = 15  # a's next announcement
    AGAIN = 16  # a's next reply to b
    WAIT = 17  # a has waited for b's heartbeat
    UNSURE = 18  # a's writers look whether all have acknowledged
    LIVELY = 19  # a's next word that it lives
    GREET = 20  # a's heartbeat to b is due


GLOBAL = (Kind.START, Kind.MADE, Kind.SWEEP)  # one queue each; the others one for each library
OWN = (Kind.BURST, Kind.PERIOD, Kind.AGAIN, Kind.WAIT, Kind.UNSURE, Kind.LIVELY, Kind.GREET)
LEVELS = 7  # queues of WAIT and UNSURE besides: each repeat may wait twice as long as the one before
QUEUES = len(OWN) + 2 * LEVELS  # of one library


class Rule(IntEnum):
    """Columns of the rules, one row a library.  From REMAINING on they are weights, in datagrams."""

    FIRST = 0  # announcements of the first burst
    BURST_S = 1
    PERIOD_S = 2
    TO_KNOWN = 3
    ON_MEETING = 4
    REPLIES = 5
    REPLY_S = 6
    REST_S = 7
    GREET_S = 8
    WAIT_S = 9
    CONFIRM_S = 10
    LIVELY_S = 11  # 0: never
    LEASE_S = 12
    ACKNOWLEDGES = 13
    CAST_FROM = 14  # 0: never
    MISSED = 15  # share of first heartbeats that come too early
    PATIENCE = 16  # repeats of WAIT and UNSURE before their waits double; 0: they never do
    REMAINING = 17  # heartbeats to all because of one; 0: none
    ANSWERS = 18  # to those
    GREETING = 19
    ASKING = 20
    NACKING = 21
    LITTLE = 22  # what one without endpoints sends; 0: nothing
    ACKING = 23
    CONFIRMING = 24
    LIVING = 25
    LIVES = 26  # the answer to it


SWEEP_S = 1.0  # between looks at leases and queues


class Bit(IntEnum):
    """What a knows of b, in the pair's byte."""

    KNOWN = 1
    GREETED = 2  # b's heartbeat has come
    HAS = 4  # all endpoints of b
    SURE = 8  # b has acknowledged all endpoints of a


class Status(IntEnum):
    """Why the kernel came back."""

    DONE = 0
    FULL = 1  # it needs more records
