"""Settings of all tests.

Hypothesis draws the same examples in every run, so that a red run is a change's doing.
HYPOTHESIS_PROFILE=explore draws new ones.

Tests in namespaces mostly wait: they come first, so that with several workers (`-n 2 --dist loadfile`) the
others fill their pauses.
"""

import os
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None)
settings.register_profile("explore", deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "steady"))

HERE = Path(__file__).parent


def in_namespaces(path: Path) -> bool:
    """Whether a file's tests make traffic."""
    where = path.relative_to(HERE)
    return where.parts[0] == "live" or where.name.startswith("test_live_")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: not in_namespaces(item.path))
