"""What the next machine of a family is worth, after those here. Judges: scipy and simulation."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from matching.domain.seen_alike import Seen, chance_of_next

chances = st.floats(0.0, 1.0)
STATED_WITHIN = 0.03  # calibration error allowed, as for the odds of waiting (docs/jobs.md)


@given(chances, st.integers(0, 30), st.floats(0.1, 50.0), st.data())
def test_it_is_the_mean_of_the_posterior(predicted, seen, strength, data):
    """Source: scipy.stats.beta, the conjugate posterior of a beta prior and binomial counts."""
    serve = data.draw(st.integers(0, seen))
    a, b = strength * predicted + serve, strength * (1 - predicted) + seen - serve
    if a > 0 and b > 0:
        chance = chance_of_next(Seen(predicted, seen, serve), strength=strength)
        assert chance == pytest.approx(stats.beta(a, b).mean())


def test_rule_of_succession():
    """Source: Laplace's rule of succession, (s + 1) / (n + 2), from a uniform prior."""
    assert chance_of_next(Seen(0.5, 10, 0), strength=2.0) == pytest.approx(1 / 12)


@given(chances, st.integers(0, 40))
def test_a_part_of_which_nothing_is_known_moves_nothing(predicted, seen):
    chance = chance_of_next(Seen(predicted, seen, seen * predicted))
    assert chance == pytest.approx(predicted)


@given(st.floats(0.01, 0.99), st.integers(1, 40))
def test_each_machine_that_does_not_serve_lowers_it(predicted, seen):
    one = Seen(predicted, seen, 0.0)
    assert chance_of_next(replace(one, seen=seen + 1)) < chance_of_next(one) < predicted


def drawn(strength: float, *, seed: int, count: int = 20_000) -> tuple[list[Seen], np.ndarray]:
    """Return what was seen of needs whose shares are drawn, and whether the next one serves."""
    rng = np.random.default_rng(seed)
    mean = rng.uniform(0.02, 0.98, count)
    share = rng.beta(strength * mean, strength * (1 - mean))
    seen = rng.integers(0, 13, count)
    serve = rng.binomial(seen, share)
    rows = [Seen(*row) for row in zip(mean.tolist(), seen.tolist(), serve.tolist(), strict=True)]
    return rows, rng.random(count) < share


def calibration(stated: np.ndarray, true: np.ndarray) -> float:
    """Return the mean gap of stated and true over ten bins of what is stated, by their size."""
    bins = np.minimum((stated * 10).astype(int), 9)
    gaps = [abs(stated[bins == one].mean() - true[bins == one].mean()) for one in set(bins)]
    sizes = [(bins == one).mean() for one in set(bins)]
    return float(np.dot(gaps, sizes))


@pytest.mark.parametrize("strength", [0.5, 2.0, 8.0])
class TestOnDrawnNeeds:
    def test_of_those_nothing_here_serves_stated_is_true(self, strength):
        """And the control: what was predicted before is far too high for these."""
        rows, true = drawn(strength, seed=3)
        left = np.array([one.serve == 0 and one.seen > 0 for one in rows])
        stated = np.array([chance_of_next(one, strength=strength) for one in rows])[left]
        before = np.array([one.predicted for one in rows])[left]
        assert calibration(stated, true[left]) <= STATED_WITHIN
        spread = np.sqrt((stated * (1 - stated)).sum())  # of the number that truly serve
        assert abs(stated.sum() - true[left].sum()) < 3 * spread
        assert before.sum() - true[left].sum() > 5 * spread
        assert calibration(before, true[left]) > STATED_WITHIN

    def test_of_all_needs_stated_is_true(self, strength):
        rows, true = drawn(strength, seed=4)
        stated = np.array([chance_of_next(one, strength=strength) for one in rows])
        assert calibration(stated, true) <= STATED_WITHIN
