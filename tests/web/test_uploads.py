"""Captures that arrive over the page."""

from __future__ import annotations

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.errors import CaptureError
from toprung.web.uploads import LONGEST_NAME, plain_name, receive


async def chunks(*parts: bytes):
    for part in parts:
        yield part


def test_the_chunks_become_a_file_under_our_own_name(tmp_path):
    path = asyncio.run(receive(chunks(b"ab", b"cd"), tmp_path, "../../etc/passwd"))
    assert path.parent == tmp_path
    assert path.read_bytes() == b"abcd"
    assert "passwd" not in path.name


def test_too_much_leaves_nothing(tmp_path):
    with pytest.raises(CaptureError, match="larger than"):
        asyncio.run(receive(chunks(b"x" * 600, b"x" * 600), tmp_path, "big.pcap", most=1000))
    assert list(tmp_path.iterdir()) == []


def test_a_broken_transfer_leaves_nothing(tmp_path):
    async def breaking():
        yield b"half"
        raise ConnectionResetError

    with pytest.raises(ConnectionResetError):
        asyncio.run(receive(breaking(), tmp_path, "a.pcap"))
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_no_capture(tmp_path):
    with pytest.raises(CaptureError, match="empty"):
        asyncio.run(receive(chunks(), tmp_path, "a.pcap"))


@given(st.text())
def test_a_name_is_only_its_last_part(said):
    name = plain_name(said)
    assert name
    assert "/" not in name
    assert "\\" not in name
    assert len(name) <= LONGEST_NAME
    assert name.isprintable()


def test_names_of_either_system():
    assert plain_name("C:\\robots\\base.pcap") == "base.pcap"
    assert plain_name("/home/ada/base.pcap") == "base.pcap"
