"""Sizes of messages against every captured sample of the test captures, byte for byte."""

from collections import defaultdict
from pathlib import Path

import pytest

from tests.live.datagrams import DATA, DATA_FRAG, HEARTBEAT, HEARTBEAT_FRAG, datagrams
from toprung.forecast.frames import Way, payloads_of
from toprung.forecast.profile import profile_of
from toprung.model.site import Middleware

CORPUS = Path(__file__).parents[1] / "data" / "corpus"
LIBRARIES = {"cyc": Middleware.CYCLONE, "fast": Middleware.FAST}
CASES = sorted(
    p.name for p in CORPUS.iterdir() if p.name.split("_")[1:2] and p.name.split("_")[1] in LIBRARIES
)
INFO_DST = 0x0E


def samples(path):
    """Messages of each sample that the captured machine sent to one address."""
    found = defaultdict(list)
    for one in datagrams(path):
        data = [p for p in one.parts if p.kind in (DATA, DATA_FRAG) and not p.writer & 0xC0]
        if one.outgoing and len({p.sequence for p in data}) == 1:
            found[one.source, one.destination, one.port, data[0].writer, data[0].sequence].append(one)
    return found.values()


def forecast(messages, data):
    """A captured sample as the forecast has it, told its size and what came with it."""
    parts = [p for one in messages for p in one.parts]
    kinds = {p.kind for p in parts}
    size = next(p.sample_bytes for p in parts if p.kind in (DATA, DATA_FRAG))
    to_many = data.header_bytes != data.header_to_many_bytes and INFO_DST not in kinds
    way = Way(bool(kinds & {HEARTBEAT, HEARTBEAT_FRAG}), HEARTBEAT in kinds, to_many)
    return payloads_of(size, data, way)


def is_repeat(messages, data):
    """Sent again for one reader, a late one mostly: one library then says whom it is for, the other sends
    the same message several times."""
    told = any(p.kind == INFO_DST for one in messages for p in one.parts)
    return (
        told
        if data.header_bytes == data.header_to_many_bytes
        else len(messages) > len(forecast(messages, data))
    )


@pytest.mark.parametrize("case", CASES)
def test_captured_samples_have_the_forecast_sizes(case):
    data = profile_of(LIBRARIES[case.split("_")[1]]).data
    seen = [m for path in sorted((CORPUS / case).glob("*.pcap.gz")) for m in samples(path)]
    first = [m for m in seen if not is_repeat(m, data)]
    assert len(first) > 500
    assert len(first) > 0.99 * len(seen)
    assert [tuple(one.payload for one in m) for m in first] == [forecast(m, data) for m in first]
