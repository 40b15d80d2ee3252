"""The captures with known truth: this repository's own, and those that lie beside it."""

from __future__ import annotations

import gzip
import json
from functools import lru_cache
from pathlib import Path

from toprung.model.picture import Picture
from toprung.model.site import Site
from toprung.model.site_file import load_site
from toprung.observe import look
from toprung.wire.scan import Scan

OWN = Path(__file__).parents[1] / "data" / "corpus"
BESIDE = Path(__file__).resolve().parents[3] / "shared" / "captures"


@lru_cache(maxsize=1)
def truths() -> dict[str, dict]:
    """Every case's truth, with the folder that its captures are in."""
    found = {}
    for folder in (OWN, BESIDE):
        if (folder / "truth.json").exists():
            for entry in json.loads((folder / "truth.json").read_text()):
                found[entry["id"]] = {**entry, "folder": folder / entry["id"]}
    return found


def captures(case: str) -> dict[str, bytes]:
    """Machine -> capture."""
    folder = truths()[case]["folder"]
    return {
        p.name.partition(".")[0]: gzip.decompress(p.read_bytes()) for p in sorted(folder.glob("*.pcap.gz"))
    }


@lru_cache(maxsize=64)
def picture(case: str) -> Picture:
    return look([(machine, Scan(data, label=machine)) for machine, data in captures(case).items()])


@lru_cache(maxsize=64)
def site(case: str) -> Site:
    return load_site((truths()[case]["folder"] / "site.yaml").read_text())
