"""What a reading claims wrongly, beside the truth that its peers counted."""

from __future__ import annotations

from pathlib import Path

from toprung.live.reading import CaptureWord, observe
from toprung.model.site_file import load_site


def wrong_causes(folder: Path, entry: dict, captures: list[Path]) -> dict[str, str]:
    """Flow -> cause, where a sound flow is called broken or a broken one for a wrong reason."""
    site = load_site((folder / "site.yaml").read_bytes(), "site.yaml")
    seen = observe(site, [CaptureWord(path.name.split(".")[0], str(path)) for path in captures])
    named = {str(c.flow): c.cause for c in seen.ladder.climbs if c.cause is not None}
    return {
        flow: cause
        for flow, cause in named.items()
        if flow in entry["sound"] or (flow in entry["broken"] and cause not in entry["cause"])
    }
