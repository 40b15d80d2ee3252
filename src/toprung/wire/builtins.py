"""Which builtin endpoints a participant says it has: BuiltinEndpointSet_t (DDSI-RTPS 2.5, 9.3.1 and 9.6.4;
XTypes 1.3, 7.6.3.3.4; DDS-Security 1.1, 7.4.7.1)."""

from __future__ import annotations

from enum import IntFlag


class Builtin(IntFlag):
    """Bits of the set; the older proxy and state bits 6 to 9 have no meaning any more."""

    PARTICIPANT_ANNOUNCER = 1 << 0
    PARTICIPANT_DETECTOR = 1 << 1
    PUBLICATIONS_ANNOUNCER = 1 << 2
    PUBLICATIONS_DETECTOR = 1 << 3
    SUBSCRIPTIONS_ANNOUNCER = 1 << 4
    SUBSCRIPTIONS_DETECTOR = 1 << 5
    PARTICIPANT_MESSAGE_WRITER = 1 << 10
    PARTICIPANT_MESSAGE_READER = 1 << 11
    TYPE_LOOKUP_REQUEST_WRITER = 1 << 12
    TYPE_LOOKUP_REQUEST_READER = 1 << 13
    TYPE_LOOKUP_REPLY_WRITER = 1 << 14
    TYPE_LOOKUP_REPLY_READER = 1 << 15
    SECURE_PUBLICATIONS_WRITER = 1 << 16
    SECURE_PUBLICATIONS_READER = 1 << 17
    SECURE_SUBSCRIPTIONS_WRITER = 1 << 18
    SECURE_SUBSCRIPTIONS_READER = 1 << 19
    SECURE_PARTICIPANT_MESSAGE_WRITER = 1 << 20
    SECURE_PARTICIPANT_MESSAGE_READER = 1 << 21
    STATELESS_WRITER = 1 << 22
    STATELESS_READER = 1 << 23
    VOLATILE_SECURE_WRITER = 1 << 24
    VOLATILE_SECURE_READER = 1 << 25
    SECURE_PARTICIPANT_WRITER = 1 << 26
    SECURE_PARTICIPANT_READER = 1 << 27
    TOPICS_ANNOUNCER = 1 << 28
    TOPICS_DETECTOR = 1 << 29


CLASSIC = Builtin(0x3F)  # participants, publications, subscriptions: enough to be introduced
