"""How many parts are enough. Judges: scipy's quantile of the demand, and a plain count."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from matching.domain.letting_go import Guide, Standing, advise, asked_per_year, shared_value
from parts.domain.keeping import keep_value
from tests.unit.reference import read
from workshop.domain.refusals import ValueRefused

GUIDE = Guide.of(read("shelf_keeping"))
standings = st.builds(
    Standing,
    count=st.integers(0, 60),
    wanted=st.just(0),
    asked=st.integers(0, 40),
    asked_lately=st.integers(0, 3),
    months=st.floats(0, 24),
    price=st.sampled_from([0.0, 3.0, 9.0, 20.0, 60.0]),
)


def standing(**values):
    usual = {"count": 5, "wanted": 0, "asked": 4, "asked_lately": 1, "months": 24.0, "price": 30.0}
    return Standing(**{**usual, **values})


@given(standings)
def test_demand_is_the_newsvendors_quantile(one):
    """scipy.stats: the gamma-mixed Poisson is a negative binomial; Cu / (Cu + Co) by hand."""
    cost = GUIDE.shelf_per_year * 2
    price = one.price or 2 * cost
    ratio = max(0.0, price - cost) / price if price > cost else 0.0
    months = max(1.0, one.months)
    expected = stats.nbinom.ppf(ratio, 0.5 + one.asked, months / (months + 24)) if ratio else 0
    assert advise(one, GUIDE).demand == int(expected)


@given(standings.filter(lambda one: one.price > 0))
def test_worth_is_the_last_part_that_pays_for_its_place(one):
    paying = [
        number
        for number in range(1, one.count + 1)
        if keep_value(
            asked_per_year=asked_per_year(one) / number,
            years=2,
            price=one.price,
            shelf_per_year=GUIDE.shelf_per_year,
        )
        > 0
    ]
    assert advise(one, GUIDE).worth == len(paying)


@given(standings, st.integers(0, 60))
def test_the_strictest_rule_counts_and_what_is_wanted_stays(one, wanted):
    one = Standing(one.count, wanted, one.asked, one.asked_lately, one.months, one.price)
    found = advise(one, GUIDE)
    limits = [found.demand, found.worth, found.unasked]
    least = min(limit for limit in limits if limit is not None)
    assert found.keep == min(one.count, max(wanted, least))
    assert found.surplus == one.count - found.keep >= 0


def test_common_practice_above_two_without_a_request():
    """practice.md 9: above two of the same kind with no request in a year, scrap the worst."""
    found = advise(standing(asked_lately=0, asked=30, count=9), GUIDE)
    assert (found.unasked, found.keep, found.surplus) == (2, 2, 7)
    assert advise(standing(asked_lately=1, asked=30, count=9), GUIDE).unasked is None


def test_without_a_price_only_requests_count():
    found = advise(standing(price=0.0), GUIDE)
    assert found.worth is None
    # Half of the demand: the median of nbinom(4.5, 1/2), by scipy.
    assert found.demand == int(stats.nbinom.ppf(0.5, 4.5, 0.5))


def test_a_part_that_costs_more_than_it_brings_is_not_kept():
    found = advise(standing(price=5.0, count=1), GUIDE)
    assert (found.demand, found.keep) == (0, 0)


def test_value_of_one_among_three():
    """By hand: 2.25 asked a year shared by 3; keep_value is checked against published rows."""
    one = standing(count=3)
    assert asked_per_year(one) == pytest.approx(2.25)
    assert shared_value(one, GUIDE, price=30.0, among=3) == pytest.approx(
        keep_value(asked_per_year=0.75, years=2, price=30, shelf_per_year=4)
    )


@pytest.mark.parametrize("cost", [0.0, -1.0, float("nan"), 1e9])
def test_a_place_costs_something(cost):
    with pytest.raises(ValueRefused) as refused:
        Guide.of(read("shelf_keeping"), shelf_per_year=cost)
    assert "shelf_per_year" in refused.value.fields
