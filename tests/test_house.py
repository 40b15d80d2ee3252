"""Sizes: a file is read at one sitting, a function at one glance.  An exemption needs a reason."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LONGEST_FILE = 400
LONGEST_FUNCTION = 60
MOST_PARAMETERS = 7
MOST_KERNEL_PARAMETERS = 10
EXEMPT_FILES: dict[str, str] = {}

FILES = sorted(p for folder in ("src", "tests", "benchmarks") for p in (ROOT / folder).rglob("*.py"))


def is_kernel(path):
    return path.name.startswith("_") and path.name != "__init__.py"


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_sizes(path):
    text = path.read_text(encoding="utf-8")
    name = str(path.relative_to(ROOT))
    if name not in EXEMPT_FILES:
        assert text.count("\n") <= LONGEST_FILE
    most = MOST_KERNEL_PARAMETERS if is_kernel(path) else MOST_PARAMETERS
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno - node.lineno < LONGEST_FUNCTION, node.name
            a = node.args
            own = [p.arg for p in (*a.posonlyargs, *a.args, *a.kwonlyargs) if p.arg not in ("self", "cls")]
            assert len(own) <= most, (node.name, own)


def test_exemptions_are_still_needed():
    long = {
        str(p.relative_to(ROOT)) for p in FILES if p.read_text(encoding="utf-8").count("\n") > LONGEST_FILE
    }
    assert set(EXEMPT_FILES) <= long
