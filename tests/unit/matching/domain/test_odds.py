import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from matching.domain.odds import (
    TOP_BITS,
    agreement_bits,
    disagreement_bits,
    shift_by_counts,
    to_bits,
    to_p,
)
from tests.unit.published import VALUES, rows


@pytest.mark.parametrize(("m", "u", "agree", "disagree"), rows("fellegi_sunter"))
def test_published_weights(m, u, agree, disagree):
    """Printed to two decimals, some of them truncated; recomputed to four."""
    assert agreement_bits(m, u) == pytest.approx(agree, abs=0.007)
    assert disagreement_bits(m, u) == pytest.approx(disagree, abs=0.007)


def test_the_published_table_adds_up():
    """The page totals 38 and -35.93, sums of truncated terms; exactly +38.01 and -35.95."""
    fields = rows("fellegi_sunter")[:4]
    # Five fields; the totals come out when the first pair of m and u stands for two of them.
    fields = [fields[0], *fields]
    agree = sum(agreement_bits(m, u) for m, u, *_ in fields)
    disagree = sum(disagreement_bits(m, u) for m, u, *_ in fields)
    assert agree == pytest.approx(38.01, abs=0.005)
    assert disagree == pytest.approx(-35.95, abs=0.005)


@pytest.mark.parametrize(("bits", "probability"), rows("posterior_odds"))
def test_posterior_odds(bits, probability):
    hit, of = VALUES["posterior_odds"]["prior"]
    assert to_p(to_bits(hit / of) + bits) == pytest.approx(probability, abs=5e-6)


@pytest.mark.parametrize(("off", "bits"), rows("ten_characters"))
def test_a_code_of_ten_characters(off, bits):
    m, u = VALUES["ten_characters"]["m"], 1 / VALUES["ten_characters"]["u"][1]
    total = (10 - off) * agreement_bits(m, u) + off * disagreement_bits(m, u)
    assert total == pytest.approx(bits, abs=5e-4)


@given(st.floats(-30, 30))
def test_bits_to_p_and_back(bits):
    assert to_bits(to_p(bits)) == pytest.approx(bits, abs=1e-5)


@given(st.floats(1e-9, 1 - 1e-9))
def test_p_to_bits_and_back(p):
    assert to_p(to_bits(p)) == pytest.approx(p, rel=1e-9)
    assert to_bits(p) == pytest.approx(math.log2(p) - math.log2(1 - p))


@pytest.mark.parametrize(
    ("p", "bits"), [(0.5, 0.0), (0.8, 2.0), (0.2, -2.0), (0, -TOP_BITS), (1, TOP_BITS)]
)
def test_odds_in_bits(p, bits):
    assert to_bits(p) == pytest.approx(bits)


@pytest.mark.parametrize("bits", [1e6, math.inf])
def test_as_sure_as_it_gets(bits):
    assert to_p(bits) == to_p(TOP_BITS) < 1.0
    assert to_p(-bits) == to_p(-TOP_BITS) > 0.0


# 0.1, because scipy's Beta below that loses digits; products of a share and a number of tries.
strengths = st.floats(0.5, 8)
counts = st.tuples(st.floats(0, 1), st.floats(0.01, 200))


@given(st.floats(-8, 8), counts, strengths)
def test_shift_lands_on_the_mean_of_the_beta_posterior(bits, share_of, strength):
    """Judge: scipy's Beta(strength p + hits, strength (1 - p) + misses)."""
    share, tries = share_of
    hits = share * tries
    p = to_p(bits)
    shift = shift_by_counts(bits, hits=hits, tries=tries, strength=strength)
    posterior = stats.beta(strength * p + hits, strength * (1 - p) + tries - hits)
    assert to_p(bits + shift) == pytest.approx(posterior.mean(), rel=1e-6)


@given(st.floats(-8, 8), counts, strengths)
def test_shift_moves_towards_what_was_counted(bits, share_of, strength):
    share, tries = share_of
    shift = shift_by_counts(bits, hits=share * tries, tries=tries, strength=strength)
    p = to_p(bits)
    if share > p + 1e-9:
        assert shift > 0
    elif share < p - 1e-9:
        assert shift < 0
    assert min(p, share) - 1e-9 <= to_p(bits + shift) <= max(p, share) + 1e-9


@given(st.floats(-8, 8), strengths)
def test_counts_that_repeat_the_odds_so_far_move_nothing(bits, strength):
    tries = 20.0
    shift = shift_by_counts(bits, hits=to_p(bits) * tries, tries=tries, strength=strength)
    assert shift == pytest.approx(0, abs=1e-9)


@given(st.floats(-8, 8), strengths)
def test_no_tries_move_nothing(bits, strength):
    assert shift_by_counts(bits, hits=0.0, tries=0.0, strength=strength) == 0.0


@given(st.floats(-6, 6), st.integers(1, 50), strengths)
def test_more_tries_move_more(bits, tries, strength):
    one = shift_by_counts(bits, hits=tries, tries=tries, strength=strength)
    two = shift_by_counts(bits, hits=tries + 1, tries=tries + 1, strength=strength)
    assert two > one > 0
