import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from matching.domain.proportions import wilson95

# Newcombe, Statistics in Medicine 17 (1998), p. 857 (first four); the others by the formula of
# the NIST/SEMATECH handbook, 7.2.4.1.
PUBLISHED = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718),
    (26, 200, 0.0903, 0.1837),
    (13, 16, 0.5699, 0.9341),
    (9, 10, 0.5958, 0.9821),
    (19, 20, 0.7639, 0.9911),
    (5, 5, 0.5655, 1.0),
]


@pytest.mark.parametrize(("hits", "tries", "low", "high"), PUBLISHED)
def test_published_intervals(hits, tries, low, high):
    assert wilson95(hits, tries) == pytest.approx((low, high), abs=5e-5)


@given(st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_against_scipy(counts):
    hits, tries = counts
    judge = binomtest(hits, tries).proportion_ci(0.95, "wilson")
    assert wilson95(hits, tries) == pytest.approx((judge.low, judge.high), abs=1e-9)


def test_nothing_tried_says_nothing():
    assert wilson95(0, 0) == (0.0, 1.0)
