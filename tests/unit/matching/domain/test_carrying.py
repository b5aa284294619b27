"""The tiers of likeness, against published Beta posteriors and plain reasoning."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matching.domain.carrying import TIERS, base_of, nested, shares
from tests.unit.published import rows

counts = st.dictionaries(st.sampled_from("ABC"), st.floats(0.1, 20), max_size=3)


@pytest.mark.parametrize("row", [row[:7] for row in rows("beta")])
def test_one_tier_over_a_base_is_the_beta_posterior(row):
    """With two numbers a tier is a Beta posterior mean; source in check_values.json."""
    a, b, good, tested, *_, mean = row
    found = shares([{"A": good, "B": tested - good}], [a + b], {"A": a / (a + b), "B": b / (a + b)})
    assert found["A"] == pytest.approx(mean, abs=5e-5)
    assert sum(found.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("row", rows("beta_uniform"))
def test_a_published_posterior_mean(row):
    a, b, good, tested, mean = row
    found = shares([{"A": good, "B": tested - good}], [a + b], {"A": a / (a + b), "B": b / (a + b)})
    assert found["A"] == pytest.approx(mean, abs=5e-4)


@given(st.lists(counts, min_size=4, max_size=4), counts)
def test_chances_are_chances(at, make):
    tiers = nested(dict(zip(TIERS, at, strict=True)))
    found = shares(tiers, [1.0, 5.0, 0.1, 1.0], base_of(make, 0.5))
    assert all(0.0 <= chance <= 1.0 for chance in found.values())
    assert sum(found.values()) <= 1.0 + 1e-9
    assert set(found) == {number for one in (*at, make) for number in one}


@given(st.lists(counts, min_size=4, max_size=4))
def test_wider_tiers_hold_the_nearer_ones(at):
    tiers = nested(dict(zip(TIERS, at, strict=True)))
    totals = [sum(one.values()) for one in tiers]
    assert totals == sorted(totals)
    assert totals[-1] == pytest.approx(sum(sum(one.values()) for one in at))


def test_an_empty_tier_passes_on_what_the_next_says():
    assert shares([{}, {"A": 3.0}], [2.0, 1.0], {}) == {"A": 0.75}
    assert shares([{}, {}], [2.0, 1.0], {"A": 0.4}) == {"A": 0.4}
    assert base_of({}, 0.5) == {}


def test_many_sightings_of_the_model_outweigh_the_family():
    far = {"B": 50.0}
    found = shares(nested({"model": {"A": 8.0}, "family": far}), [1.0, 5.0, 0.1, 1.0], {})
    assert found["A"] > 0.9
