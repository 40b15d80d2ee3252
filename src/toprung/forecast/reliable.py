"""What keeps a reliable writer's samples reliable: heartbeats in them and alone, and readers' answers.

The rules were read off real traffic by `tests/live/data_profile.py`; their numbers are each library's
profile.  One library puts a heartbeat into every sample's message and asks for an answer where samples are
rare; the other sends one when its history is full of unacknowledged samples, when it has sent much, and
every few seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, inf

from toprung.forecast.frames import Way, is_cut, payloads_of
from toprung.forecast.profile import DataPhase
from toprung.model.qos import Durability, History
from toprung.model.site import StatedQos

KEPT_SAMPLES = 16  # of a writer's history where the site does not say: what a usual application sets


@dataclass(frozen=True, slots=True)
class Upkeep:
    """Of one writer, each a second: samples with a heartbeat in them, heartbeats alone, and the answers of
    each reliable reader."""

    carried_hz: float = 0.0
    alone_hz: float = 0.0
    answers_hz: float = 0.0


NOTHING = Upkeep()


def upkeep_of(rate_hz: float, size_bytes: int, offered: StatedQos, data: DataPhase, to_many: bool) -> Upkeep:
    """The upkeep of a reliable writer with at least one reliable reader, where nothing is lost."""
    if rate_hz <= 0:
        return NOTHING
    if data.heartbeat_always:
        rare = data.answered_after_s is not None and rate_hz * data.answered_after_s <= 1
        return Upkeep(rate_hz, 0.0, rate_hz if rare else 0.0)
    alone = 1 / data.heartbeat_period_s if data.heartbeat_period_s else 0.0
    every = _samples_between(size_bytes, offered, data, to_many)
    late = max(1, floor(rate_hz * data.answer_delay_s + 1))  # samples that pass before an answer
    if every == 1:
        return Upkeep(rate_hz, alone, rate_hz / late)
    in_period = rate_hz / alone if alone else inf
    full = floor(in_period / every) * alone if alone else rate_hz / every
    rest = alone if in_period % every >= 1 else 0.0
    return Upkeep(min(rate_hz, full * late), alone, full + rest)


def _samples_between(size_bytes: int, offered: StatedQos, data: DataPhase, to_many: bool) -> int:
    """Every how manieth sample carries a heartbeat: when the history is full, or enough bytes were sent."""
    qos = offered.qos
    if is_cut(size_bytes, data):
        return 1
    kept = float(qos.history_depth if "history" in offered.policies else KEPT_SAMPLES)
    if qos.history is History.KEEP_ALL and "history" in offered.policies:
        kept = inf
    elif qos.durability > Durability.VOLATILE:
        return 1  # its history stays full of samples, acknowledged or not
    if data.heartbeat_after_bytes:
        message = sum(payloads_of(size_bytes, data, Way(True, False, to_many)))
        kept = min(kept, data.heartbeat_after_bytes // message + 1)
    return max(1, int(kept)) if kept < inf else 1 << 62
