"""Four time stamps and what they say (RFC 5905, section 8)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.forecast.clocks import TOLERANCE, drift, drifted, reading, sync_error

spans = st.floats(0, 10)


@pytest.mark.parametrize(
    ("stamps", "offset", "delay"),
    [
        # captured between two synchronised hosts over an asymmetric line, published in a weblog
        ((0.410634, 0.415284, 0.415471, 0.430596), -0.0052375, 0.019775),
        ((0, 105, 106, 11), 100, 10),
        ((1000, 1060, 1061, 1021), 50, 20),
        ((10.000, 10.005, 10.006, 10.011), 0, 0.010),
    ],
)
def test_offset_and_delay(stamps, offset, delay):
    found = reading(*stamps)
    assert found.offset_s == pytest.approx(offset, abs=1e-9)
    assert found.delay_s == pytest.approx(delay, abs=1e-9)


def test_rfc_2030s_misprint_would_add_the_answering_time_twice():
    t1, t2, t3, t4 = 0.0, 0.1, 0.4, 0.6
    assert reading(t1, t2, t3, t4).delay_s == pytest.approx(0.3)
    assert reading(t1, t2, t3, t4).delay_s != pytest.approx((t4 - t1) - (t2 - t3))


@given(st.floats(-5, 5), spans, spans, spans)
def test_the_true_offset_is_within_the_bounds(offset, out, answer, back):
    found = reading(0.0, out + offset, out + offset + answer, out + answer + back)
    assert found.least_s - 1e-9 <= offset <= found.greatest_s + 1e-9
    assert found.delay_s == pytest.approx(out + back, abs=1e-9)


@given(spans, spans, spans)
def test_no_exchange_over_a_path_is_off_by_more_than_it_allows(best, more, share):
    worst = best + more
    one, other = best + more * min(share, 1), worst
    found = reading(0.0, one, one, one + other)
    assert abs(found.offset_s) <= sync_error(best, worst) + 1e-9


def test_an_offset_gets_less_sure_with_time():
    """RFC 5905, 7.1: PHI = 15 ppm; a thousand seconds are worth 15 ms."""
    assert drifted(0.001, 1000) == pytest.approx(0.016)
    assert sync_error(0.002, 0.010, 64) == pytest.approx(0.004 + 64 * TOLERANCE)
    assert drift(reading(0, 0.1, 0.1, 0), reading(0, 0.2, 0.2, 0), 1000) == pytest.approx(1e-4)
