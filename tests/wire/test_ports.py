"""Ports, vendors, builtin endpoints: CHECKS 1.1, 1.7 and 1.12 (DDSI-RTPS 2.5, 9.6.2.3 and 9.3.1)."""

from __future__ import annotations

import pytest

from toprung.wire.builtins import CLASSIC, Builtin
from toprung.wire.ports import (
    DYNAMIC,
    LAST_DOMAIN,
    LAST_INDEX,
    LINUX,
    Meaning,
    PortKind,
    handed_out,
    last_clear_index,
    last_index,
    meanings,
    port,
    ports,
)
from toprung.wire.vendors import CYCLONE, FAST, HOLDERS, holder

# domain, participant index, discovery multicast and unicast, user multicast and unicast
PUBLISHED = [
    (0, 0, 7400, 7410, 7401, 7411), (0, 1, 7400, 7412, 7401, 7413), (0, 119, 7400, 7648, 7401, 7649),
    (1, 0, 7650, 7660, 7651, 7661), (1, 119, 7650, 7898, 7651, 7899), (2, 0, 7900, 7910, 7901, 7911),
    (42, 1, 17900, 17912, 17901, 17913), (100, 0, 32400, 32410, 32401, 32411),
    (101, 53, 32650, 32766, 32651, 32767), (101, 54, 32650, 32768, 32651, 32769),
    (166, 0, 48900, 48910, 48901, 48911), (232, 0, 65400, 65410, 65401, 65411),
    (232, 62, 65400, 65534, 65401, 65535),
]  # fmt: skip


@pytest.mark.parametrize(("domain", "index", "d0", "d1", "d2", "d3"), PUBLISHED)
def test_published_ports_both_ways(domain: int, index: int, d0: int, d1: int, d2: int, d3: int) -> None:
    assert ports(domain, index) == {
        PortKind.DISCOVERY_MULTICAST: d0,
        PortKind.DISCOVERY_UNICAST: d1,
        PortKind.USER_MULTICAST: d2,
        PortKind.USER_UNICAST: d3,
    }
    assert meanings(d0)[0] == Meaning(domain, PortKind.DISCOVERY_MULTICAST, None)
    assert meanings(d1)[0] == Meaning(domain, PortKind.DISCOVERY_UNICAST, index)
    assert meanings(d2)[0] == Meaning(domain, PortKind.USER_MULTICAST, None)
    assert meanings(d3)[0] == Meaning(domain, PortKind.USER_UNICAST, index)


def test_every_legal_port_reads_back() -> None:
    for domain in range(LAST_DOMAIN + 1):
        for index in range(last_index(domain) + 1):
            for kind, number in ports(domain, index).items():
                multicast = kind in (PortKind.DISCOVERY_MULTICAST, PortKind.USER_MULTICAST)
                assert meanings(number)[0] == Meaning(domain, kind, None if multicast else index)


def test_limits() -> None:
    """CHECKS 1.1: index 120 is in the next domain's block; 232 is the last domain, 62 its last index."""
    assert LAST_INDEX == 119
    assert port(0, PortKind.DISCOVERY_UNICAST, 120) == 7650 == port(1, PortKind.DISCOVERY_MULTICAST)
    assert LAST_DOMAIN == 232
    assert last_index(232) == 62
    assert last_index(233) == -1
    assert last_index(0) == 119


def test_a_port_beyond_its_block_has_two_meanings() -> None:
    assert meanings(7650) == (
        Meaning(1, PortKind.DISCOVERY_MULTICAST, None),
        Meaning(0, PortKind.DISCOVERY_UNICAST, 120),
    )


@pytest.mark.parametrize("number", [0, 53, 7399, 65536, 7402])
def test_ports_that_mean_nothing(number: int) -> None:
    assert meanings(number) == ()


def test_ports_that_the_system_hands_out() -> None:
    """CHECKS 1.1: Linux hands out 32768 to 60999; the dynamic range starts at 49152 (RFC 6335)."""
    assert all(last_clear_index(domain) == 119 for domain in range(101))
    assert last_clear_index(101) == 53
    assert all(last_clear_index(domain) == -1 for domain in range(102, 215))
    assert [last_clear_index(domain) for domain in (215, 232)] == [119, 62]
    assert last_clear_index(166, DYNAMIC) == 119
    assert last_clear_index(167, DYNAMIC) < 119
    assert handed_out(101, 54) == (32768, 32769)
    assert handed_out(0, 0, LINUX) == ()


def test_vendor_ids_name_their_holders() -> None:
    """CHECKS 1.12."""
    assert holder(CYCLONE) == "Eclipse Foundation"
    assert holder(FAST) == "eProsima"
    assert holder(0x0199) == "vendor 0x0199"
    assert set(HOLDERS) == {0} | set(range(0x0101, 0x0115))


def test_builtin_endpoint_set_masks() -> None:
    """CHECKS 1.7: worked masks."""
    messages = Builtin.PARTICIPANT_MESSAGE_WRITER | Builtin.PARTICIPANT_MESSAGE_READER
    lookup = (
        Builtin.TYPE_LOOKUP_REQUEST_WRITER
        | Builtin.TYPE_LOOKUP_REQUEST_READER
        | Builtin.TYPE_LOOKUP_REPLY_WRITER
        | Builtin.TYPE_LOOKUP_REPLY_READER
    )
    assert CLASSIC == 63
    assert CLASSIC | messages == 3135
    assert CLASSIC | messages | lookup == 64575
    assert Builtin(0xC3F) & Builtin.PUBLICATIONS_ANNOUNCER
    assert not Builtin(0xC3F) & Builtin.TYPE_LOOKUP_REQUEST_WRITER
    assert Builtin.SECURE_PARTICIPANT_READER == 1 << 27
    assert Builtin.TOPICS_ANNOUNCER == 1 << 28
