"""The identifiers as DDSI-RTPS 2.5 prints them (9.3.1, 9.4.5.1.1), and their sums."""

from __future__ import annotations

import pytest

from toprung.wire import ids
from toprung.wire.ids import EntityId, Sub

# DDSI-RTPS 2.5, 9.4.5: octets on the wire with an empty set, less the submessage header of 4
WIRE_SIZES = {
    Sub.DATA: 24, Sub.DATA_FRAG: 36, Sub.HEARTBEAT: 32, Sub.ACKNACK: 28, Sub.GAP: 32,
    Sub.HEARTBEAT_FRAG: 28, Sub.NACK_FRAG: 32, Sub.INFO_DST: 16, Sub.INFO_SRC: 24,
}  # fmt: skip


@pytest.mark.parametrize(("kind", "size"), WIRE_SIZES.items())
def test_least_lengths(kind: Sub, size: int) -> None:
    assert kind.least + 4 == size


def test_kinds() -> None:
    """9.4.5.1.1, and DDS Security 1.1, 7.3.6.2."""
    printed = "01 06 07 08 09 0C 0D 0E 0F 12 13 15 16 30 31 32 33 34"
    assert sorted(Sub) == [int(code, 16) for code in printed.split()]


def test_entities_are_what_their_kind_octet_says() -> None:
    """9.3.1.2: two high bits mark predefined ones, the low six writer or reader."""
    for entity in EntityId:
        if entity in (EntityId.UNKNOWN, EntityId.PARTICIPANT):
            assert not ids.is_writer(entity)
            assert not ids.is_reader(entity)
            continue
        assert ids.is_builtin(entity)
        assert ids.is_writer(entity) == entity.name.endswith("WRITER")
        assert ids.is_reader(entity) == entity.name.endswith("READER")
    assert not ids.is_builtin(0x00000103)
    assert ids.is_writer(0x00000103)


def test_names() -> None:
    assert ids.entity_name(0x000100C2) == "participant writer"
    assert ids.entity_name(0x00000103) == "00000103"
    assert [ids.kind_name(kind) for kind in (0x15, 0x80, 0x17)] == ["DATA", "vendor 0x80", "unknown 0x17"]
