"""A look as JSON: the envelope of an observation, and under "live" what only listening knows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from toprung.pictures.envelope import envelope
from toprung.pictures.live_text import changed_words, interface_words

if TYPE_CHECKING:
    from toprung.diagnose.observed import Observed
    from toprung.live.listening import Look


def live_envelope(look: Look, observed: Observed) -> dict[str, Any]:
    """Plain data for `json.dumps`.  `time` is in seconds since 1970, `changes` are sentences."""
    return envelope(observed) | {
        "live": {
            "time": round(look.time_ns / 1e9, 6),
            "seconds": round(look.seconds, 3),
            "packets": look.packets,
            "packets_per_s": round(look.packets_per_s, 1),
            "dropped": look.dropped,
            "took_s": round(look.took_s, 3),
            "retired": look.retired,
            "interfaces": {name: str(state) for name, state in look.interfaces.items()},
            "changes": [*interface_words(look), *changed_words(look)],
        }
    }
