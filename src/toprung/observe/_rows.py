# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""One block's columns, bound for the fold kernels.

Compiled from this same file; its types stand in `_rows.pxd`, since the other kernels read them.
"""

from __future__ import annotations

from typing import Any


class Rows:
    """The columns of a scan's blocks; the arrays stay the same, how much of them is filled changes."""

    def __init__(self, m: Any, s: Any) -> None:
        """`m`, `s`: the block's columns (`toprung.wire.columns`) as attributes, one array each."""
        self.time_ns = memoryview(m.time_ns)
        self.packet = memoryview(m.packet)
        self.interface = memoryview(m.interface)
        self.source = memoryview(m.source)
        self.target = memoryview(m.target)
        self.target_port = memoryview(m.target_port)
        self.ttl = memoryview(m.ttl)
        self.message_flags = memoryview(m.flags)
        self.prefix = memoryview(m.prefix)
        self.vendor = memoryview(m.vendor)
        self.size = memoryview(m.size)
        self.wire_bytes = memoryview(m.wire_bytes)
        self.ip_fragments = memoryview(m.fragments)
        self.print = memoryview(m.print)
        self.message = memoryview(s.message)
        self.kind = memoryview(s.kind)
        self.flags = memoryview(s.flags)
        self.sender = memoryview(s.sender)
        self.addressee = memoryview(s.addressee)
        self.reader = memoryview(s.reader)
        self.writer = memoryview(s.writer)
        self.sequence = memoryview(s.sequence)
        self.base = memoryview(s.base)
        self.extent = memoryview(s.extent)
        self.named = memoryview(s.named)
        self.count = memoryview(s.count)
        self.fragment = memoryview(s.fragment)
        self.fragments = memoryview(s.fragments)
        self.fragment_size = memoryview(s.fragment_size)
        self.sample_size = memoryview(s.sample_size)
        self.source_time_ns = memoryview(s.source_time_ns)
        self.payload_length = memoryview(s.payload_length)
        self.payload_at = memoryview(s.payload_at)
        self.inline_length = memoryview(s.inline_length)
        self.messages = 0
        self.submessages = 0

    def fill(self, messages: int, submessages: int) -> Rows:
        """The block in hand has so many rows."""
        self.messages = messages
        self.submessages = submessages
        return self
