"""What can be malformed in a packet: each kind once, with the words that reports print."""

from __future__ import annotations

from enum import IntEnum


class Fault(IntEnum):
    """Kinds of malformed bytes; `words` is the key in `ScanSummary.malformed`."""

    words: str

    def __new__(cls, code: int, words: str) -> Fault:
        fault = int.__new__(cls, code)
        fault._value_, fault.words = code, words
        return fault

    LINK = 0, "link header too short"
    IP_HEADER = 1, "IP header too short or of an unknown version"
    IP_LENGTH = 2, "IP length beyond the packet"
    FRAGMENT = 3, "IP fragment of impossible place or length"
    UDP = 4, "UDP header too short or of impossible length"
    INTERFACE = 5, "packet of an interface that the capture does not declare"
    LINK_TYPE = 6, "packet of an unknown link type"
    VERSION = 7, "RTPS header too short or of an unknown version"
    SUBMESSAGE_LENGTH = 8, "submessage longer than its message"
    SUBMESSAGE_SHORT = 9, "submessage shorter than its kind needs"
    SEQUENCE = 10, "sequence number that cannot be"
    SET = 11, "number set that cannot be"
    FRAGMENT_NUMBER = 12, "fragment numbers that cannot be"
    INLINE_QOS = 13, "inline QoS without an end"
    CROWD = 14, "more addresses or GUID prefixes than can be told apart"
    ARP_ICMP = 15, "ARP or ICMP message too short"
