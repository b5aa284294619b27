import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from donors.domain.survival import AgeBand, Survival, belief, shifted_percent
from tests.unit.published import rows
from tests.unit.reference import read

SHIFTS = read("age_shifts")
BANDS = [
    AgeBand(
        band["age_from"],
        band["age_to"],
        {name: band[name] for name in ("electronics", "wear", "other")},
    )
    for band in SHIFTS["bands"]
]


@pytest.mark.parametrize(
    ("age", "component_class", "expected"),
    [
        # 70 % in the table; points as in fixtures/reference/age_shifts.json (common practice)
        (0.0, "electronics", 75),
        (5.99, "wear", 75),  # five whole years
        (6.0, "wear", 70),
        (10.99, "electronics", 70),
        (11.0, "electronics", 62),
        (11.0, "wear", 58),
        (14.99, "other", 70),
        (15.0, "electronics", 55),
        (15.0, "wear", 45),
        (60.0, "wear", 45),  # the last band is open
        (15.0, "no such class", 70),
        (None, "wear", 70),  # age unknown moves nothing
    ],
)
def test_age_moves_the_table(age, component_class, expected):
    found = shifted_percent(70, age_years=age, component_class=component_class, bands=BANDS)
    assert found == expected


@pytest.mark.parametrize(
    ("percent", "age", "expected"),
    [
        (0, 2, 0),  # what is never good does not age into use
        (0, None, 0),
        (95, 2, 97),  # not above the most
        (3, 20, 1),  # not down to nothing: that would say impossible
    ],
)
def test_limits(percent, age, expected):
    assert SHIFTS["max_percent"] == 97
    found = shifted_percent(percent, age_years=age, component_class="wear", bands=BANDS)
    assert found == expected


def test_every_age_has_one_band():
    for years in range(80):
        assert sum(band.covers(years + 0.5) for band in BANDS) == 1


@given(st.floats(0, 97), st.floats(0, 60), st.floats(0, 60))
def test_an_older_machine_never_promises_more(percent, a, b):
    for component_class in ("electronics", "wear", "other"):
        young, old = (
            shifted_percent(percent, age_years=age, component_class=component_class, bands=BANDS)
            for age in sorted((a, b))
        )
        assert 0 <= old <= young <= 97


@pytest.mark.parametrize("case", rows("beta"))
def test_worked_case(case):
    """Beta(8, 2) and 3 good of 5 is Beta(11, 4); the wider figures come from scipy as well."""
    a, b, good, tested, a_after, b_after, mean, low, high, three_good = case
    # Prior 75 % of strength 8 is Beta(6, 2); two passed make it the Beta(8, 2) of the case.
    before = belief(75, passed=2)
    assert (before.a, before.b) == (a, b)
    after = belief(75, passed=2 + good, failed=tested - good)
    assert (after.a, after.b) == (a_after, b_after)
    assert after.mean == pytest.approx(mean, abs=5e-5)
    assert after.mean == pytest.approx(stats.beta(after.a, after.b).mean())
    limits = stats.beta(after.a, after.b).interval(0.90)
    assert limits == pytest.approx((low, high), abs=5e-5)
    assert after.range(0.90) == pytest.approx((low, high), abs=5e-5)
    assert stats.betabinom(3, after.a, after.b).pmf(3) == pytest.approx(three_good, abs=5e-7)


def test_the_range_of_a_published_belief():
    """Gelman et al., Bayesian Data Analysis, 3rd ed., 2.4 (from memory): 437 of 980, 95 %."""
    assert Survival(438, 544).range(0.95) == pytest.approx((0.415, 0.477), abs=5e-4)


def test_a_belief_without_doubt_has_no_range():
    assert Survival(0.0, 8.0).range() == (0.0, 0.0)


@given(st.floats(20, 80), st.integers(0, 40), st.integers(0, 40))
def test_belief_equals_the_beta_posterior(percent, passed, failed):
    """Judge: the posterior density worked out over a grid from prior and likelihood."""
    found = belief(percent, passed=passed, failed=failed)
    assert found.a + found.b == pytest.approx(8 + passed + failed)
    assert (found.passed, found.failed) == (passed, failed)
    grid = [(i + 0.5) / 4000 for i in range(4000)]
    prior = stats.beta(8 * percent / 100, 8 * (1 - percent / 100)).logpdf(grid)
    binomial = stats.binom.logpmf(passed, passed + failed, grid)
    logs = prior + binomial
    weights = np.exp(logs - logs.max())
    mean = float((weights * grid).sum() / weights.sum())
    assert found.mean == pytest.approx(mean, abs=1e-3)


@given(st.floats(1, 97), st.integers(0, 40), st.integers(0, 40))
def test_results_move_the_belief_their_way(percent, passed, failed):
    assert belief(percent, passed=passed + 1, failed=failed).mean > (
        belief(percent, passed=passed, failed=failed).mean
    )
    assert belief(percent, passed=passed, failed=failed + 1).mean < (
        belief(percent, passed=passed, failed=failed).mean
    )
