"""Amounts keep three figures in the unit that suits them."""

from __future__ import annotations

import pytest

from toprung.pictures.amounts import octets, octets_per_s


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (0, "0 B"),
        (999, "999 B"),
        (7760, "7.76 kB"),
        (1.5e6, "1.5 MB"),
        (999e6, "999 MB"),
        (1.015e9, "1.01 GB"),
    ],
)
def test_octets(value, says):
    assert octets(value) == says
    assert octets_per_s(value) == f"{says}/s"
