"""Queues: Kleinrock (1975), service time 1; and response times under fixed priority."""

from math import exp, factorial, inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.forecast.queues import (
    blind_wait,
    fixed_quantile,
    fixed_wait,
    greatest_wait,
    markov_quantile,
    markov_wait,
    mixed_wait,
    rare_wait,
    usual_wait,
)
from toprung.forecast.response import Task, any_order, busy_window, non_preemptive, preemptive


@pytest.mark.parametrize(
    ("busy", "markov", "fixed"),
    [
        (0.1, 0.1111, 0.0556),
        (0.5, 1.0, 0.5),
        (0.7, 2.3333, 1.1667),
        (0.8, 4.0, 2.0),
        (0.9, 9.0, 4.5),
        (0.95, 19, 9.5),
        (0.99, 99, 49.5),
    ],
)
def test_mean_waits(busy, markov, fixed):
    """Pollaczek-Khinchine; Little's law gives the numbers in the system."""
    assert markov_wait(busy, 1) == pytest.approx(markov, abs=5e-5)
    assert fixed_wait(busy, 1) == pytest.approx(fixed, abs=5e-5)
    assert mixed_wait(busy, busy) == pytest.approx(fixed_wait(busy, 1))  # one size: E[S^2] = s^2
    assert mixed_wait(busy, 2 * busy) == pytest.approx(markov_wait(busy, 1))  # exponential: 2 s^2


def test_published_examples_of_one_server():
    """Arrivals 16 an hour, service 20 an hour: 12 minutes of waiting (a published exercise)."""
    assert markov_wait(16 / 20, 60 / 20) == pytest.approx(12)
    assert markov_wait(0.8, 1) + 1 == pytest.approx(5)


def test_quantiles_of_one_server():
    """P(W > t) = exp(-(mu - lambda) t), Kleinrock: 95 % and 99 % at rho 0.8."""
    assert markov_quantile(0.8, 1, 0.95) == pytest.approx(14.979, abs=5e-4)
    assert markov_quantile(0.8, 1, 0.99) == pytest.approx(23.026, abs=5e-4)


def test_the_median_wait():
    """M/M/1, Kleinrock: P(W > t) = rho exp(-(mu - lambda) t) is a half at ln(2 rho) / (mu - lambda)."""
    assert usual_wait(0.8, 2 * 0.8) == pytest.approx(0.4700036 / 0.2)
    assert usual_wait(0.5, 2 * 0.5) == usual_wait(0.2, 5) == 0


def waits_longer(busy, time):
    """P(W > t) of M/D/1 with service time 1 (Erlang 1909)."""
    terms = ((busy * (k - time), k) for k in range(int(time) + 1))
    return 1 - (1 - busy) * sum(x**k / factorial(k) * exp(-x) for x, k in terms)


@pytest.mark.parametrize("busy", [0.1, 0.3, 0.5, 0.7])
@pytest.mark.parametrize("rare", [0.1, 0.01, 0.001])
def test_the_rare_wait_is_a_bound_and_no_wild_one(busy, rare):
    """Against the exact tail of a fixed service: rarer than asked for, and not by a hundred times."""
    chance = waits_longer(busy, rare_wait(busy, 1.0, rare))
    assert rare / 100 <= chance <= rare


@given(st.floats(0, 0.99), st.floats(0, 1), st.floats(0, 2))
def test_less_to_do_never_waits_longer(busy, share, greatest):
    assert rare_wait(busy * share, greatest, 1e-4) <= rare_wait(busy, greatest, 1e-4) + 1e-12


def test_a_server_that_takes_whom_it_likes():
    """(b1 + b2) / (R - r2), Le Boudec and Thiran, theorem 6.2.1; alone, a sample does not wait."""
    assert blind_wait(0.01, 0.02, 0.5) == pytest.approx(0.03 / 0.5 - 0.01)
    assert blind_wait(0.01, 0.0, 0.0) == 0
    assert blind_wait(0.01, 0.02, 1.0) == inf


def test_a_full_server_never_gets_through():
    for wait in (markov_wait(1, 1), fixed_wait(1.2, 1), fixed_quantile(1, 1, 0.5), greatest_wait(1, 1.01)):
        assert wait == inf
    assert fixed_quantile(0, 1, 0.99) == 0
    assert greatest_wait(0.03, 0.7) == 0.03


@given(st.floats(0, 0.99), st.floats(0, 0.99), st.floats(0.5, 0.9999))
def test_a_busier_server_never_waits_less(one, other, share):
    less, more = sorted((one, other))
    assert fixed_wait(less, 1) <= fixed_wait(more, 1) <= markov_wait(more, 1)
    assert fixed_quantile(less, 1, share) <= fixed_quantile(more, 1, share) + 1e-12


def test_published_preemptive_example():
    """A timing-analysis library's own test (pycpa, test_spp.py), two tasks on each of two servers."""
    t11, t12 = Task(10, 30, 5), Task(3, 15, 6)
    assert preemptive(t11, []) == 10
    assert preemptive(t12, [t11]) == 13
    assert [busy_window(t12, [t11], n) for n in (1, 2)] == [13, 16]


def test_classic_preemptive_sets():
    """From memory: textbook sets of response-time analysis."""
    for sets, worst in (
        ([(3, 7), (3, 12), (5, 20)], [3, 6, 20]),
        ([(40, 100), (40, 150), (100, 350)], [40, 80, 300]),
    ):
        tasks = [Task(*t) for t in sets]
        assert [preemptive(t, tasks[:n]) for n, t in enumerate(tasks)] == worst


def test_published_tutorial():
    """pycpa's tutorial: two preemptive processors and a bus; worst responses 10, 13, 11, 11, 11, 3.

    Jitter of a task behind another: that one's worst less its best response.  The bus's second answer is
    that of an activation by itself; two of them can be 2 apart, and then the second waits for the first.
    """
    t11, t12 = Task(10, 30, 3), Task(3, 15, 1)
    assert (preemptive(t11, []), preemptive(t12, [t11])) == (10, 13)
    t21, t22 = Task(2, 30, 3 + 10 - 5), Task(9, 15)
    assert (non_preemptive(t21, [], [t22]), non_preemptive(t22, [t21])) == (11, 11)
    assert non_preemptive(Task(9, 15, 1 + 13 - 1, apart=1), [t21]) == 11 + 9 - 2
    t31, t32 = Task(5, 30, 8 + 11 - 2), Task(3, 15, 13 + 11 - 5, apart=5)
    assert (preemptive(t31, [t32]), preemptive(t32, [])) == (11, 3)
    assert (5 + 2 + 3, 10 + 11 + 11, 1 + 5 + 2, 13 + 11 + 3) == (10, 32, 8, 27)


def test_the_second_instance_can_be_the_slowest():
    """Davis, Burns, Bril, Lukkien (2007): messages of 1 ms; the analysis of 1994 says 3.0 for the last."""
    a, b, c = Task(1, 2.5), Task(1, 3.5), Task(1, 3.5)
    assert non_preemptive(a, [], [b, c]) == pytest.approx(2.0)
    assert non_preemptive(b, [a], [c]) == pytest.approx(3.0)
    assert non_preemptive(c, [a, b]) == pytest.approx(3.5)


def test_too_much_work_has_no_response_time():
    assert preemptive(Task(6, 10), [Task(5, 10)]) == inf
    assert any_order(Task(6, 10), [Task(5, 10)]) == inf


@given(
    st.lists(st.tuples(st.integers(1, 5), st.integers(20, 60)), min_size=1, max_size=4),
    st.integers(1, 5),
)
def test_no_order_is_worse_than_everybody_else_first(others, work):
    tasks = [Task(float(w), float(p)) for w, p in others]
    own = Task(float(work), 40.0)
    bound = any_order(own, tasks)
    for split in range(len(tasks) + 1):
        assert non_preemptive(own, tasks[:split], tasks[split:]) <= bound + 1e-9
