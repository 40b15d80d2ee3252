"""Asynchronous periodic chains: published bounds, and every schedule of small ones played through."""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toprung.forecast.chain import (
    Pace,
    Span,
    Stage,
    chain,
    davare,
    duerr_age,
    duerr_reaction,
    losses_in_a_row,
    pace,
)
from toprung.forecast.response import Task, preemptive

periods = st.floats(0.001, 10)
stages = st.lists(st.tuples(periods, st.floats(0, 10)), min_size=1, max_size=5)


def as_chain(pairs):
    return chain([Stage(pace(t), Span(r, r)) for t, r in pairs])


def test_davares_bound():
    """Sum of T + R, Davare et al., DAC 2007."""
    assert davare([(33, 12), (10, 4), (50, 20), (20, 6)]) == 155
    assert davare([(10, 2), (25, 5)]) == 42


@given(stages)
def test_a_chain_with_messages_has_duerrs_bounds(pairs):
    """Theorems 5.4 and 5.10 (CASES 2019), as the artefact of Guenzel et al. (RTAS 2021) codes them."""
    found = as_chain(pairs)
    assert found.reaction.worst_s == pytest.approx(duerr_reaction(pairs))
    assert found.reaction.worst_s == pytest.approx(davare(pairs))
    assert found.age.worst_s == pytest.approx(duerr_age(pairs))


def test_a_single_sampler_adds_its_period():
    """Upstream response + sampling period + downstream response; the first event of pycpa's sampling example:
    T11 3 (P = 30, J = 15), sampled every 50, T12 3 behind T11 on one processor: 3 + 50 + 6 = 59.
    """
    t11, t12 = Task(3, 30, 15), Task(3, 50)
    up, down = preemptive(t11, []), preemptive(t12, [t11])
    assert (up, down) == (3, 6)
    steps = [Stage(None, Span(up, up)), Stage(pace(50), Span(down, down))]
    assert chain(steps).reaction.worst_s == 59
    several = [59 + t11.least_span(n) for n in range(1, 11)]
    assert several == [59, 74, 104, 134, 164, 194, 224, 254, 284, 314]  # pycpa, examples/sampling_test.py


def played(t1, r1, t2, r2, phase):
    """Worst age and reaction of two stages on a grid of whole units, stage 2 starting at `phase`.

    Stage 1 reads at k t1 and its data is there r1 later; stage 2 reads at phase + k t2 and acts r2 later.
    """
    ages, reactions = [], []
    reads = range(phase, 40 * t1 * t2, t2)
    acted = {}  # first action on each sample of stage 1
    for read in reads:
        sample = (read - r1) // t1
        if sample >= 0:
            ages.append(read + r2 - sample * t1)
            acted.setdefault(sample, read + r2)
    for sample in range(1, max(acted)):
        action = min((a for s, a in acted.items() if s >= sample), default=None)
        if action is not None:
            reactions.append(action - (sample - 1) * t1)  # an event just after the sample before
    return max(ages), max(reactions)


@pytest.mark.parametrize(("t1", "r1", "t2", "r2"), [(7, 3, 5, 2), (4, 1, 9, 3), (6, 6, 6, 1), (3, 5, 8, 0)])
def test_no_phase_of_two_stages_is_worse_and_one_comes_near(t1, r1, t2, r2):
    """Every whole phase, response times constant: the bounds hold, and are met but for one grid step."""
    results = [played(t1, r1, t2, r2, phase) for phase in range(t2)]
    age, reaction = (max(values) for values in zip(*results, strict=True))
    bound = as_chain([(t1, r1), (t2, r2)])
    assert bound.age.worst_s - 2 <= age <= bound.age.worst_s
    assert bound.reaction.worst_s - 2 <= reaction <= bound.reaction.worst_s


def test_a_stage_that_runs_on_data_adds_no_wait():
    driven = chain([Stage(pace(0.1), Span(0.01, 0.02)), Stage(None, Span(0.03, 0.03))])
    assert driven.reaction.worst_s == pytest.approx(0.15)
    assert driven.age.worst_s == pytest.approx(0.05)
    assert driven.reaction.typical_s == pytest.approx(0.05 + 0.04)


def test_losses_lengthen_the_wait():
    """Three in a row at 3 %: 0.03^4 is below one in ten thousand, 0.03^3 is not far from it."""
    assert [losses_in_a_row(p) for p in (0, 0.001, 0.01, 0.02, 0.03, 0.1, 0.5)] == [0, 1, 1, 2, 2, 3, 13]
    lossy = pace(0.1, 0.1)
    assert lossy.wait == Span(0.05, 0.1)
    assert lossy.total.worst_s == pytest.approx(0.4)
    assert lossy.total.typical_s == pytest.approx(0.1 * 1.1 / 1.8)
    assert pace(0.1, 1.0) == Pace(Span(inf, inf))


@given(st.floats(0, 0.9), st.integers(1, 200))
def test_the_mean_wait_under_loss_is_that_of_a_renewal(lost, trials):
    """Residual life E[I^2] / (2 E[I]) of intervals of N periods, N geometric (Feller, volume 2, XI.4)."""
    mean = square = 0.0
    for n in range(1, 4000):
        chance = (1 - lost) * lost ** (n - 1)
        mean, square = mean + n * chance, square + n * n * chance
    assert pace(1.0, lost).total.typical_s == pytest.approx(square / (2 * mean), rel=1e-6)


@given(stages, st.floats(1, 5))
def test_units_of_time_can_be_chosen_freely(pairs, second):
    once, other = as_chain(pairs), as_chain([(t * second, r * second) for t, r in pairs])
    assert other.reaction.worst_s == pytest.approx(once.reaction.worst_s * second)
    assert other.age.typical_s == pytest.approx(once.age.typical_s * second)


@given(stages, st.floats(0, 1), st.floats(0, 0.3))
def test_typical_is_never_above_worst_nor_age_above_reaction(pairs, share, lost):
    found = chain([Stage(pace(t, lost), Span(r * share, r)) for t, r in pairs])
    assert found.age.typical_s <= found.age.worst_s + 1e-9
    assert found.reaction.typical_s <= found.reaction.worst_s + 1e-9
    assert found.age.worst_s <= found.reaction.worst_s + 1e-9
