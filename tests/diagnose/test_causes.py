"""Codes, rungs and judges keep together."""

import ast
from pathlib import Path

import toprung.diagnose
import toprung.forecast.loops as loops
import toprung.model.mismatch as mismatch
import toprung.model.qos as qos
from toprung.diagnose.ladder import JUDGES
from toprung.model.causes import CAUSES
from toprung.model.ladder import RUNGS


def codes_in_source() -> set[str]:
    """Every string constant of the package that is a cause."""
    folder = Path(toprung.diagnose.__file__).parent
    trees = [ast.parse(path.read_text()) for path in folder.glob("*.py")]
    constants = (n.value for tree in trees for n in ast.walk(tree) if isinstance(n, ast.Constant))
    return {c for c in constants if isinstance(c, str) and c in CAUSES}


def codes_from_below() -> set[str]:
    """Causes that the rules of matching and the arithmetic of loops give by their own names."""
    text = "".join(Path(module.__file__).read_text() for module in (loops, mismatch, qos))
    return {code for code in CAUSES if f'"{code}"' in text}


def test_every_cause_can_be_found():
    assert codes_in_source() | codes_from_below() == set(CAUSES)


def test_every_rung_has_a_judge():
    assert tuple(JUDGES) == RUNGS
