"""What a part is worth on the shelf. Judges: published newsvendor figures, simulation, scipy."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from parts.domain.keeping import critical_ratio, how_many_to_keep, keep_value
from tests.unit.published import rows
from workshop.domain.refusals import ValueRefused

KEEP = ("asked_per_year", "years", "price", "scrap", "shelf_per_year", "strip_cost")


@pytest.mark.parametrize("row", rows("keep_or_skip"))
def test_keep_or_skip(row):
    *asked, value = row
    assert keep_value(**dict(zip(KEEP, asked, strict=True))) == pytest.approx(value, abs=5e-5)


@pytest.mark.parametrize("row", rows("newsvendor"))
def test_newsvendor(row):
    """The ratio, and with it scipy's quantiles of the published demands."""
    price, cost, salvage, ratio, low, high, uniform, mean, spread, normal = row
    found = critical_ratio(price=price, cost=cost, salvage=salvage)
    assert found == pytest.approx(ratio, abs=5e-5)
    assert stats.uniform.ppf(found, low, high - low) == pytest.approx(uniform, abs=5e-2)
    assert stats.norm.ppf(found, mean, spread) == pytest.approx(normal, abs=5e-3)


def test_keep_value_against_100_000_shelves():
    dice = random.Random(1)
    total = 0.0
    for _ in range(100_000):
        first = dice.expovariate(1.5)
        total += (35 if first < 1 else 0.6) - 4 * min(first, 1) - 6
    stated = keep_value(
        asked_per_year=1.5, years=1, price=35, scrap=0.6, shelf_per_year=4, strip_cost=6
    )
    assert total / 100_000 == pytest.approx(stated, abs=0.15)


@given(st.integers(0, 60), st.floats(1, 60), st.floats(0.5, 24), st.floats(0.05, 0.98))
def test_how_many_is_the_smallest_quantile(asked, months, ahead, ratio):
    """scipy.stats: a Poisson mixed over the gamma belief, summed by quadrature."""
    found = how_many_to_keep(asked=asked, months=months, ahead_months=ahead, ratio=ratio)
    shares = [(n + 0.5) / 4_000 for n in range(4_000)]
    means = stats.gamma(asked + 0.5, scale=1 / months).ppf(shares) * ahead
    assert stats.poisson.cdf(found, means).mean() >= ratio - 2e-3
    if found:
        assert stats.poisson.cdf(found - 1, means).mean() <= ratio + 2e-3


def test_never_asked_for_is_worth_its_scrap_less_the_shelf():
    assert keep_value(asked_per_year=0, years=2, price=35, scrap=1, shelf_per_year=4) == -7


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        (lambda: keep_value(asked_per_year=-1, years=1, price=1), "asked_per_year"),
        (lambda: keep_value(asked_per_year=1, years=math.nan, price=1), "years"),
        (lambda: keep_value(asked_per_year=1, years=1, price=-1), "price"),
        (lambda: critical_ratio(price=-1, cost=1), "price"),
        (lambda: critical_ratio(price=5, cost=1, salvage=1), "salvage"),
        (lambda: how_many_to_keep(asked=-1, months=1, ahead_months=1, ratio=0.5), "asked"),
        (lambda: how_many_to_keep(asked=1, months=0, ahead_months=1, ratio=0.5), "months"),
        (lambda: how_many_to_keep(asked=1, months=1, ahead_months=1, ratio=1), "ratio"),
    ],
)
def test_bad_input_is_refused_by_name(asked, field):
    with pytest.raises(ValueRefused) as refused:
        asked()
    assert field in refused.value.fields


def test_selling_at_a_loss_keeps_none():
    assert critical_ratio(price=4, cost=5) == 0
    assert how_many_to_keep(asked=9, months=24, ahead_months=12, ratio=0) == 0
