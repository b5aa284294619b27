"""Learned minutes: closed form, an independent minimiser, and simulation."""

import math
import random
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import minimize_scalar

from donors.domain.strip_plan.step_times import (
    CUT,
    LONGEST_MIN,
    PRIOR_WEIGHT,
    SHORTEST_MIN,
    SPREAD,
    covered_min,
    learned_time,
)
from workshop.domain.refusals import ValueRefused

minutes = st.floats(0.2, 300)
FORGOTTEN = 600.0


def by_minimiser(guess, own):
    """The same loss, written out and left to SciPy."""

    def huber(r):
        return r * r / 2 if abs(r) <= CUT else CUT * (abs(r) - CUT / 2)

    def loss(centre):
        far = [(math.log(min(max(t, SHORTEST_MIN), LONGEST_MIN)) - centre) / SPREAD for t in own]
        near = (math.log(guess) - centre) / SPREAD
        return PRIOR_WEIGHT * near * near / 2 + sum(map(huber, far))

    low, high = math.log(SHORTEST_MIN) - 1, math.log(LONGEST_MIN) + 1
    found = minimize_scalar(loss, bounds=(low, high), method="bounded", options={"xatol": 1e-10})
    return math.exp(found.x)


def test_without_times_of_ones_own_it_is_the_guess():
    found = learned_time(8.0)
    assert (found.minutes, found.count, found.learned) == (8.0, 0, False)


def test_where_none_is_far_off_it_is_the_conjugate_normal_mean():
    """Normal with known variance, prior worth 4 observations (Gelman et al., BDA, sec. 2.5)."""
    own = [6.0, 7.0, 6.5]
    logs = [math.log(t) for t in own]
    precision = (PRIOR_WEIGHT + len(own)) / SPREAD**2
    prior = stats.norm(math.log(8.0), SPREAD / math.sqrt(PRIOR_WEIGHT))
    mean = (PRIOR_WEIGHT / SPREAD**2 * prior.mean() + sum(logs) / SPREAD**2) / precision
    assert learned_time(8.0, own).minutes == pytest.approx(math.exp(mean))


def test_it_is_the_mode_of_the_product_of_prior_and_likelihood():
    """The same through SciPy's densities, on a grid: no formula of ours in it."""
    own = [9.0, 11.0, 10.0, 12.5]
    grid = [math.log(5) + i * 1e-5 for i in range(100_000)]
    prior = stats.norm(math.log(8.0), SPREAD / math.sqrt(PRIOR_WEIGHT)).logpdf(grid)
    likely = sum(stats.norm(math.log(t), SPREAD).logpdf(grid) for t in own)
    best = max(zip(prior + likely, grid, strict=True))[1]
    assert learned_time(8.0, own).minutes == pytest.approx(math.exp(best), rel=2e-5)


@given(minutes, st.lists(st.floats(0.01, 3000), min_size=1, max_size=30))
def test_it_is_the_minimum_an_independent_minimiser_finds(guess, own):
    assert learned_time(guess, own).minutes == pytest.approx(by_minimiser(guess, own), rel=1e-4)


@given(minutes, st.lists(minutes, min_size=1, max_size=20))
def test_it_lies_among_the_guess_and_the_times(guess, own):
    found = learned_time(guess, own).minutes
    assert min(guess, *own) * (1 - 1e-9) <= found <= max(guess, *own) * (1 + 1e-9)


def test_a_forgotten_timer_moves_it_no_more_than_a_slow_day():
    """Ten hours overnight pull as hard as 1.5 spreads do; a plain mean would be ruined."""
    own = [5.0] * 8
    with_one = learned_time(5.0, [*own, FORGOTTEN]).minutes
    assert with_one == pytest.approx(5.0 * math.exp(CUT * SPREAD / (PRIOR_WEIGHT + 8)), rel=1e-6)
    assert with_one < 5.3
    assert sum([*own, FORGOTTEN]) / 9 > 70


@pytest.mark.parametrize(("true", "guess"), [(9.0, 5.0), (4.0, 10.0)])
def test_by_simulation_a_dozen_donors_give_the_real_minutes(true, guess):
    """400 workshops, 12 times each, one timer in twenty forgotten (seeded)."""
    dice = random.Random(12)
    found, plain = [], []
    for _ in range(400):
        own = [
            FORGOTTEN if dice.random() < 0.05 else true * math.exp(dice.gauss(0, SPREAD))
            for _ in range(12)
        ]
        found.append(learned_time(guess, own).minutes)
        plain.append(sum(own) / len(own))
    gap = math.log(guess / true)

    def off(values):
        return math.sqrt(sum(math.log(v / true) ** 2 for v in values) / len(values))

    assert off(found) < abs(gap) / 2
    assert off(found) < off(plain) / 2


def test_by_simulation_it_settles_on_the_real_minutes():
    dice = random.Random(7)
    own = [9.0 * math.exp(dice.gauss(0, SPREAD)) for _ in range(2000)]
    assert learned_time(5.0, own).minutes == pytest.approx(9.0, rel=0.03)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_a_time_that_cannot_be_is_refused(bad):
    with pytest.raises(ValueRefused, match=r"own\.1"):
        learned_time(5.0, [3.0, bad])


def test_a_negative_guess_is_refused_and_zero_stays_zero():
    with pytest.raises(ValueRefused, match="guess_min"):
        learned_time(-1.0)
    assert learned_time(0.0, [3.0]).minutes == 0.0


def at(minute):
    return datetime(2026, 11, 20, 9, 0, tzinfo=UTC) + timedelta(minutes=minute)


def test_spans_of_two_people_count_once():
    assert covered_min([(at(0), at(5)), (at(3), at(8)), (at(10), at(12))]) == pytest.approx(10)
    assert covered_min([]) == 0


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), max_size=8))
def test_covered_minutes_are_those_a_minute_by_minute_count_finds(pairs):
    spans = [(min(a, b), max(a, b)) for a, b in pairs]
    counted = sum(any(a <= m < b for a, b in spans) for m in range(61))
    assert covered_min((at(a), at(b)) for a, b in spans) == pytest.approx(counted)
