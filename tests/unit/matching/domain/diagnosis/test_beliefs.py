"""Odds of suspects. Judges: scipy.stats.dirichlet_multinomial, simulated workshops."""

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import dirichlet_multinomial

from matching.domain.diagnosis.beliefs import LEFT_OPEN, STRENGTH, UNLISTED, Belief, normal, pooled
from matching.domain.diagnosis.tables import SOMETHING_ELSE
from matching.domain.metrics import expected_calibration_error
from workshop.domain.refusals import ValueRefused

weights = st.lists(st.integers(1, 60), min_size=1, max_size=6).map(
    lambda some: {f"s{n}": weight for n, weight in enumerate(some)}
)


@st.composite
def histories(draw):
    table = draw(weights)
    return table, {name: draw(st.integers(0, 30)) for name in table}


class TestAgainstScipy:
    @given(histories())
    def test_the_next_job(self, history):
        """P(next is k | counts) is a ratio of two probabilities of scipy's."""
        table, closed = history
        prior = Belief.of_table(table)
        names = list(prior.counts)
        alpha = [prior.counts[name] for name in names]
        before = np.array([closed.get(name, 0) for name in names])
        total = int(before.sum())
        for place, name in enumerate(names):
            after = before + np.eye(len(names), dtype=int)[place]
            ratio = math.exp(
                dirichlet_multinomial.logpmf(after, alpha, total + 1)
                - dirichlet_multinomial.logpmf(before, alpha, total)
            )
            # scipy counts orders; the last job is one of the after[k] of its kind
            expected = ratio * after[place] / (total + 1)
            assert prior.after(closed).odds[name] == pytest.approx(expected, rel=1e-6)

    @given(weights)
    def test_the_first_job(self, table):
        prior = Belief.of_table(table)
        alpha = list(prior.counts.values())
        for place, p in enumerate(prior.odds.values()):
            one = np.eye(len(alpha), dtype=int)[place]
            assert p == pytest.approx(dirichlet_multinomial.pmf(one, alpha, 1), rel=1e-9)


@given(histories())
def test_jobs_one_by_one_or_all_at_once(history):
    table, closed = history
    one_by_one = Belief.of_table(table)
    for name, count in closed.items():
        for _ in range(count):
            one_by_one = one_by_one.after({name: 1})
    at_once = Belief.of_table(table).after(closed)
    assert one_by_one.jobs == at_once.jobs
    assert one_by_one.odds == pytest.approx(at_once.odds)


class TestSimulated:
    def _truth(self, dice, table):
        """What a workshop's machines are really like: drawn about the table as it says."""
        prior = Belief.of_table(table)
        return normal({k: dice.gammavariate(a, 1) + 1e-12 for k, a in prior.counts.items()})

    def test_learned_odds_converge_to_a_hidden_truth(self):
        """A table that is far off; the largest error falls as jobs close."""
        dice = random.Random(1)
        truth = {"heater": 0.1, "ntc-sensor": 0.6, "wiring": 0.2, SOMETHING_ELSE: 0.1}
        belief, errors = Belief.of_table({"heater": 80, "ntc-sensor": 10, "wiring": 10}), {}
        for number in range(1, 20_001):
            belief = belief.after({dice.choices(list(truth), truth.values())[0]: 1})
            if number in (20, 200, 2_000, 20_000):
                errors[number] = max(abs(belief.odds[k] - p) for k, p in truth.items())
        assert errors[20] > errors[200] > errors[2_000]
        assert errors[200] < 0.1
        assert errors[20_000] < 0.015

    def test_calibrated(self):
        """4,000 workshops with 0 to 40 closed jobs: error .006 when written."""
        dice = random.Random(2)
        stated, happened = [], []
        for _ in range(4_000):
            table = {f"s{n}": dice.randint(1, 50) for n in range(dice.randint(2, 6))}
            truth = self._truth(dice, table)
            names, shares = list(truth), list(truth.values())
            closed = {}
            for name in dice.choices(names, shares, k=dice.randint(0, 40)):
                closed[name] = closed.get(name, 0) + 1
            odds = Belief.of_table(table).after(closed).odds
            (next_one,) = dice.choices(names, shares)
            stated += [odds[name] for name in names]
            happened += [name == next_one for name in names]
        assert expected_calibration_error(happened, stated) <= 0.02

    def test_learning_beats_the_table(self):
        """Log loss of the next job over 2,000 workshops with 20 jobs each."""
        dice, learned, unlearned = random.Random(3), 0.0, 0.0
        for _ in range(2_000):
            table = {f"s{n}": dice.randint(1, 50) for n in range(4)}
            truth = self._truth(dice, table)
            closed = {}
            for name in dice.choices(list(truth), truth.values(), k=20):
                closed[name] = closed.get(name, 0) + 1
            (next_one,) = dice.choices(list(truth), truth.values())
            prior = Belief.of_table(table)
            learned -= math.log(prior.after(closed).odds[next_one])
            unlearned -= math.log(prior.odds[next_one])
        assert learned < unlearned


class TestPooled:
    def test_one_symptom_is_left_as_it_is(self):
        belief = Belief.of_table({"a": 3, "b": 1})
        assert pooled([belief]) == belief.odds

    @given(weights)
    def test_the_same_told_twice_counts_once(self, table):
        belief = Belief.of_table(table)
        assert pooled([belief, belief]) == pytest.approx(belief.odds)

    @given(weights, weights)
    def test_never_surer_than_the_surest(self, one, other):
        """Of suspects both list, none gets more than the higher of the two, but for scaling."""
        beliefs = [Belief.of_table(one), Belief.of_table(other)]
        odds = pooled(beliefs)
        assert sum(odds.values()) == pytest.approx(1)
        assert all(p > 0 for p in odds.values())
        assert pooled(beliefs[::-1]) == pytest.approx(odds)

    def test_a_suspect_only_one_names(self):
        """By hand: geometric means of (.95, .005) for a and b, .05 for something else."""
        odds = pooled([Belief.of_table({"a": 1}), Belief.of_table({"b": 1})])
        raw = math.sqrt((1 - LEFT_OPEN) * UNLISTED * LEFT_OPEN)
        assert odds["a"] == odds["b"] == pytest.approx(raw / (2 * raw + LEFT_OPEN))


class TestLimits:
    def test_the_table_weighs_ten_jobs_and_leaves_a_twentieth_open(self):
        prior = Belief.of_table({"a": 30, "b": 10})
        assert sum(prior.counts.values()) == pytest.approx(STRENGTH)
        assert prior.odds == pytest.approx({"a": 0.7125, "b": 0.2375, SOMETHING_ELSE: 0.05})

    def test_a_suspect_nobody_listed_is_learned(self):
        odds = Belief.of_table({"a": 1}).after({"belt": 10}).odds
        assert odds["belt"] == pytest.approx(0.5)

    @pytest.mark.parametrize("count", [-1, math.nan])
    def test_counts_that_cannot_be(self, count):
        with pytest.raises(ValueRefused, match="a: "):
            Belief.of_table({"a": 1}).after({"a": count})

    def test_no_strength(self):
        with pytest.raises(ValueRefused, match="strength"):
            Belief.of_table({"a": 1}, strength=0)
