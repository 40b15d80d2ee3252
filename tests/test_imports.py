"""The house: imports run downward only, and the pure rooms touch neither files, sockets nor clocks."""

import subprocess
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]
ORDER = (  # DESIGN: top to bottom; observe and forecast are neighbours; serve, a command, opens the page
    {"cli"},
    {"web"},
    {"records"},
    {"report"},
    {"pictures"},
    {"sweep"},
    {"rehearse"},
    {"live"},
    {"trials"},
    {"remedy"},
    {"diagnose"},
    {"observe", "forecast"},
    {"wire"},
    {"model"},
    {"errors"},
)


def contracts():
    return tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]


def rooms(layer):
    return {part.strip(" ()").removeprefix("toprung.") for part in layer.split("|")}


def test_the_contract_names_every_room_in_order():
    layers = next(c for c in contracts()["contracts"] if c["type"] == "layers")["layers"]
    assert [rooms(layer) for layer in layers] == list(ORDER)
    built = {p.name for p in (ROOT / "src/toprung").iterdir() if p.is_dir() and (p / "__init__.py").exists()}
    assert built - {"examples"} <= set().union(*ORDER)


def test_imports_keep_the_contracts():
    linter = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([linter], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
