"""Blocks of rows made by hand: what a scan would hand out, without a capture."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from toprung.wire.columns import MESSAGE_COLUMNS, NO_TIME, SUBMESSAGE_COLUMNS
from toprung.wire.ids import Sub

WRITER, READER = 0x103, 0x104
DEFAULTS = {"source_time_ns": NO_TIME, "fragments": 1, "size": 100, "payload_length": 44, "target_port": 7411}


def rows(columns, values):
    """Arrays by column name; what is left out gets its default."""
    return SimpleNamespace(
        **{
            c.name: np.array([v.get(c.name, DEFAULTS.get(c.name, 0)) for v in values], c.dtype)
            for c in columns
        }
    )


def block(*datagrams):
    """A block of datagrams, each a pair of message values and a list of submessage values."""
    messages, submessages = [], []
    for i, (message, subs) in enumerate(datagrams):
        messages.append({"packet": i + 1, "source": 1, "target": 2, "prefix": 1, **message})
        submessages += [{"message": i, "sender": 1, **sub} for sub in subs]
    payloads = [sub.get("words", b"") for _, subs in datagrams for sub in subs]
    return SimpleNamespace(
        payload=payloads.__getitem__,
        messages=rows(MESSAGE_COLUMNS, messages),
        submessages=rows(SUBMESSAGE_COLUMNS, submessages),
        n_messages=len(messages),
        n_submessages=len(submessages),
        _captured=memoryview(b""),
        _joined=memoryview(b""),
    )


def data(sequence, **more):
    return {"kind": Sub.DATA, "writer": WRITER, "sequence": sequence, **more}


def piece(sequence, first, count=1, size=4000, step=1000, **more):
    return {
        "kind": Sub.DATA_FRAG,
        "writer": WRITER,
        "sequence": sequence,
        "fragment": first,
        "fragments": count,
        "fragment_size": step,
        "sample_size": size,
        "payload_length": step * count,
        **more,
    }


def gap(first, end, **more):
    return {"kind": Sub.GAP, "writer": WRITER, "sequence": first, "base": end, **more}


def listing(first, base, bits, order="little"):
    """A GAP with a list: `bits` is a string of 0 and 1, number `base` first."""
    words = [bits[i : i + 32].ljust(32, "0") for i in range(0, len(bits), 32)]
    octets = b"".join(int(word, 2).to_bytes(4, order) for word in words)
    more = {"extent": len(bits), "named": bits.count("1"), "flags": order == "little", "words": octets}
    return gap(first, base, **more)


def heartbeat(last, count, *, final=False, **more):
    values = {"kind": Sub.HEARTBEAT, "writer": WRITER, "base": 1, "sequence": last, "count": count}
    return {**values, "flags": 2 * final, **more}


def acknack(base, count, named=0, **more):
    values = {"kind": Sub.ACKNACK, "writer": WRITER, "reader": READER, "sequence": base, "count": count}
    return {**values, "named": named, "sender": 2, "addressee": 1, **more}
