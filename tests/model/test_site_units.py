"""Quantities: what is read, what is refused, and that what is written comes back."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.model import units
from toprung.model.units import QuantityError, number_of, written

READ = (
    ("40 ms", units.TIME, 40_000_000),
    ("0.3 ms", units.TIME, 300_000),
    ("2 min", units.TIME, 120_000_000_000),
    ("1.5 µs", units.TIME, 1_500),
    ("50 Hz", units.RATE, 50.0),
    ("50Hz", units.RATE, 50.0),
    ("0.1 /s", units.RATE, 0.1),
    ("65 Mbit/s", units.BIT_RATE, 65e6),
    ("720 B", units.SIZE, 720),
    ("2 KiB", units.SIZE, 2048),
    ("1.5 kB", units.SIZE, 1500),
    ("1 %", units.SHARE, 0.01),
    ("0.45 m/s", units.SPEED, 0.45),
    ("0.8 m/s^2", units.ACCELERATION, 0.8),
    ("60 Wh", units.ENERGY, 60.0),
    ("1e3 W", units.POWER, 1000.0),
)

REFUSED = (
    (50, units.RATE, "50 has no unit; a rate is needed here", '"50 Hz"'),
    ("50", units.RATE, "50 has no unit; a rate is needed here", '"50 Hz"'),
    ("50 ms", units.RATE, '"ms" is not a unit of a rate (Hz, kHz, /s)', '"50 Hz"'),
    ("fast", units.RATE, '"fast" is not a rate', '"50 Hz"'),
    ("", units.TIME, '"" is not a time', '"40 ms"'),
    (True, units.TIME, "a time with its unit is needed here", '"40 ms"'),
    ("-1 ms", units.TIME, "-1 ms is too small for a time", '"40 ms"'),
    ("0 Hz", units.RATE, "0 Hz is too small for a rate", '"50 Hz"'),
    ("101 %", units.SHARE, "101 % is too much for a share", '"2 %"'),
    ("1e99 B", units.SIZE, "1e99 B is too much for a size", '"720 B"'),
    ("0.5 B", units.SIZE, "0.5 B is finer than can be kept", '"720 B"'),
    ("0.1 ns", units.TIME, "0.1 ns is finer than can be kept", '"40 ms"'),
    (
        "5 Mbit",
        units.BIT_RATE,
        '"Mbit" is not a unit of a bit rate (Gbit/s, Mbit/s, kbit/s, bit/s)',
        '"65 Mbit/s"',
    ),
)


@pytest.mark.parametrize(("text", "dimension", "value"), READ)
def test_a_quantity_is_read_into_base_units(text, dimension, value):
    got = number_of(text, dimension)
    assert got == value
    assert type(got) is type(value)


@pytest.mark.parametrize(("text", "dimension", "what", "right"), REFUSED)
def test_what_is_no_quantity_is_refused_with_what_would_be_right(text, dimension, what, right):
    with pytest.raises(QuantityError) as refused:
        number_of(text, dimension)
    assert (refused.value.what, refused.value.right) == (what, right)


@pytest.mark.parametrize("dimension", [units.RATE, units.BIT_RATE, units.SPEED, units.LENGTH, units.POWER])
@given(value=st.floats(1e-6, 1e9))
def test_a_float_quantity_survives_writing(dimension, value):
    assert number_of(written(value, dimension), dimension) == value


@given(value=st.integers(0, 10**18))
def test_a_time_survives_writing(value):
    assert number_of(written(value, units.TIME), units.TIME) == value


@given(value=st.integers(1, 10**15))
def test_a_size_survives_writing(value):
    assert number_of(written(value, units.SIZE), units.SIZE) == value


@given(value=st.floats(1e-9, 1))
def test_a_share_survives_writing(value):
    assert number_of(written(value, units.SHARE), units.SHARE) == value


@given(text=st.text(max_size=40))
def test_no_text_does_worse_than_be_refused(text):
    for dimension in (units.TIME, units.RATE, units.SHARE):
        try:
            value = number_of(text, dimension)
        except QuantityError as refused:
            assert "\n" not in refused.what  # noqa: PT017  -- one line, whatever the text
        else:
            assert 0 <= value <= dimension.greatest
