"""Waiting odds. Judges: scipy's distributions, published gamma examples, simulated arrivals."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from matching.domain import waiting
from matching.domain.metrics import expected_calibration_error
from matching.domain.waiting import Arrivals, Prior
from tests.unit.published import VALUES, rows
from workshop.domain.refusals import ValueRefused

shapes = st.floats(0.3, 60)
spans = st.floats(5, 2000)
chances = st.floats(0.02, 1)
days_waited = st.floats(0, 800)
queues = st.integers(0, 12)


@st.composite
def beliefs(draw):
    return Arrivals(draw(shapes), draw(spans), draw(chances))


class TestPublished:
    @pytest.mark.parametrize("row", rows("gamma_posterior"))
    def test_posteriors(self, row):
        """Bayesian Data Analysis 2.6, a reading group's page, NIST/SEMATECH 8.4.6."""
        shape, span, events, exposure, shape_after, span_after = row
        found = Arrivals.counted([1.0] * events, span_days=exposure, prior=Prior(shape, span, 1))
        assert (found.shape, found.days, found.p_serves) == (shape_after, span_after, 1)

    @pytest.mark.parametrize("row", rows("gamma_nist_mtbf"))
    def test_rate_quantiles_of_the_nist_example(self, row):
        """NIST/SEMATECH 8.4.6: time between failures is the inverse of the rate."""
        shape, hours, median, lower = row
        found = Arrivals(shape, hours, 1.0)
        assert 1 / waiting._rate_at(found, 0.5) == pytest.approx(median, abs=0.5)
        assert 1 / waiting._rate_at(found, 0.8) == pytest.approx(lower, abs=0.5)

    @pytest.mark.parametrize("row", rows("none_arrives"))
    def test_nothing_arrives(self, row):
        shape, span, time, none = row
        assert waiting.chance(Arrivals(shape, span, 1), days=time) == pytest.approx(
            1 - none, abs=5e-7
        )

    @pytest.mark.parametrize("row", rows("thinned_waits"))
    def test_thinned_and_second_in_the_queue(self, row):
        block, (p, one, two, median) = VALUES["thinned_waits"], row
        found = Arrivals(block["shape"], block["weeks"], p)
        within = block["within_weeks"]
        assert waiting.chance(found, days=within) == pytest.approx(one, abs=5e-6)
        assert waiting.chance(found, days=within, ahead=1) == pytest.approx(two, abs=5e-6)
        assert waiting.day_by(found, reaching=0.5) == pytest.approx(median, abs=5e-3)

    @pytest.mark.parametrize("row", rows("known_rate"))
    def test_a_rate_known_for_long_is_exponential(self, row):
        a_year, days, expected = row
        found = Arrivals(a_year * 1e6, 365e6, 1.0)
        assert waiting.chance(found, days=days) == pytest.approx(expected, abs=5e-6)
        (point,) = waiting.curve(found, [days])
        assert point.low == pytest.approx(point.high, abs=1e-3)


class TestAgainstScipy:
    """scipy.stats: nbinom has p = b / (b + p t); gamma has scale = 1 / rate."""

    @given(beliefs(), days_waited, queues)
    def test_chance(self, found, days, ahead):
        success = found.days / (found.days + found.p_serves * days)
        judge = stats.nbinom.sf(ahead, found.shape, success)
        assert waiting.chance(found, days=days, ahead=ahead) == pytest.approx(judge, abs=1e-9)

    @given(beliefs(), st.floats(0.1, 800), queues, st.floats(0.05, 0.99))
    def test_band(self, found, days, ahead, band):
        (point,) = waiting.curve(found, [days], ahead=ahead, band=band)
        belief = stats.gamma(found.shape, scale=1 / found.days)
        for end, tail in ((point.low, (1 - band) / 2), (point.high, (1 + band) / 2)):
            mean = belief.ppf(tail) * found.p_serves * days
            assert end == pytest.approx(stats.poisson.sf(ahead, mean), abs=1e-9)
        assert point.low <= point.high

    @given(beliefs(), st.floats(1, 400), st.integers(0, 4))
    def test_mean_of_a_wait_that_ends(self, found, until, ahead):
        """The integral of the survival function, here as a sum of small steps."""
        step = until / 4000
        middles = ((number + 0.5) * step for number in range(4000))
        success = [found.days / (found.days + found.p_serves * day) for day in middles]
        judge = step * stats.nbinom.cdf(ahead, found.shape, success).sum()
        mean = waiting.expected_days(found, ahead=ahead, until=until)
        assert mean == pytest.approx(judge, rel=1e-4)


class TestProperties:
    @given(beliefs(), st.floats(0.01, 0.95), queues)
    def test_the_day_of_a_chance_has_that_chance(self, found, reaching, ahead):
        day = waiting.day_by(found, reaching=reaching, ahead=ahead)
        if day is None:
            century = waiting.LONGEST_DAYS
            assert waiting.chance(found, days=century, ahead=ahead) <= reaching + 1e-9
        else:
            assert waiting.chance(found, days=day, ahead=ahead) == pytest.approx(reaching, abs=1e-7)

    @given(beliefs(), days_waited, days_waited, queues)
    def test_longer_is_likelier_and_further_back_is_not(self, found, one, other, ahead):
        less, more = sorted((one, other))
        sooner = waiting.chance(found, days=less, ahead=ahead)
        later = waiting.chance(found, days=more, ahead=ahead)
        assert sooner <= later + 1e-12
        assert waiting.chance(found, days=more, ahead=ahead + 1) <= later + 1e-12

    @given(beliefs(), st.floats(1, 400), queues)
    def test_a_wait_that_ends_is_no_longer_than_its_end_nor_than_its_mean(
        self, found, until, ahead
    ):
        ended = waiting.expected_days(found, ahead=ahead, until=until)
        whole = waiting.expected_days(found, ahead=ahead)
        assert 0 <= ended <= until + 1e-6
        assert whole is None or ended <= whole + 1e-6

    @given(st.lists(st.floats(0, 1), max_size=12), st.floats(1, 1000))
    def test_order_of_arrivals_does_not_matter(self, some, span):
        one = Arrivals.counted(some, span_days=span)
        other = Arrivals.counted(some[::-1], span_days=span)
        assert one == other


class TestSimulated:
    def _world(self, dice, rate_of, count=10_000):
        """Return stated chances and what happened, each wait in a machine family of its own.

        A year or so is counted; marks differ by machine; somebody may be ahead in the queue.
        """
        stated, happened = [], []
        for _ in range(count):
            a_day, span, days = rate_of(dice), dice.uniform(200, 700), dice.choice([14, 30, 60, 90])
            ahead, typical = dice.choice([0, 0, 0, 1, 2]), dice.uniform(0.2, 0.95)
            marks = [_mark(dice, typical) for _ in range(_poisson(dice, a_day * span))]
            prior = Prior(p_serves=typical)
            found = Arrivals.counted(marks, span_days=span, prior=prior)
            stated.append(waiting.chance(found, days=days, ahead=ahead))
            came = _poisson(dice, a_day * days)
            served = sum(dice.random() < _mark(dice, typical) for _ in range(came))
            happened.append(served > ahead)
        return stated, happened

    def test_calibrated_where_rates_are_what_the_prior_says(self):
        """10,000 waits: error .004 to .007 for four seeds when written."""
        prior = Prior()
        stated, happened = self._world(
            random.Random(1), lambda dice: dice.gammavariate(prior.shape, 1 / prior.days)
        )
        assert expected_calibration_error(happened, stated) <= 0.03

    def test_calibrated_where_rates_are_not_what_the_prior_says(self):
        """From half a machine to twenty a year, each order of size alike: error .012 to .022."""
        stated, happened = self._world(
            random.Random(2), lambda dice: math.exp(dice.uniform(math.log(0.5), math.log(20))) / 365
        )
        assert expected_calibration_error(happened, stated) <= 0.03

    def test_ten_times_too_many_would_be_noticed(self):
        """The judge can fail: the same waits with the counts left out of the belief."""
        dice = random.Random(3)
        stated, happened = self._world(dice, lambda dice: dice.gammavariate(0.5, 1 / 70))
        blind = [waiting.chance(Arrivals(5, 70, 1), days=30)] * len(stated)
        assert expected_calibration_error(happened, blind) > 0.1

    def test_mean_wait(self):
        """20,000 waits of the second in the queue: within 3 % of the mean stated."""
        dice, found = random.Random(4), Arrivals(9.0, 300.0, 0.6)
        waits = []
        for _ in range(20_000):
            rate = dice.gammavariate(found.shape, 1 / found.days) * found.p_serves
            waits.append(dice.expovariate(rate) + dice.expovariate(rate))
        mean = waiting.expected_days(found, ahead=1)
        assert sum(waits) / len(waits) == pytest.approx(mean, rel=0.03)


class TestLimits:
    def test_nothing_ever_came(self):
        """An empty year leaves hope, and less than before it."""
        fresh = Arrivals.counted([], span_days=0)
        year = Arrivals.counted([], span_days=365)
        assert fresh == Arrivals(0.5, 70, 0.5)
        assert 0 < waiting.chance(year, days=30) < waiting.chance(fresh, days=30)
        assert waiting.expected_days(year) is None

    def test_machines_that_never_serve(self):
        found = Arrivals.counted([0.0] * 5, span_days=365, prior=Prior(p_serves=0))
        assert waiting.chance(found, days=1000) == 0
        assert waiting.day_by(found, reaching=0.1) is None
        assert waiting.expected_days(found) is None
        assert waiting.expected_days(found, until=30) == pytest.approx(30)

    def test_a_long_queue(self):
        found = Arrivals(4.5, 434, 1)
        assert waiting.chance(found, days=30, ahead=500) < 1e-100
        assert waiting.day_by(found, reaching=0.999, ahead=9_000) is None

    def test_no_time_no_chance(self):
        found = Arrivals(4.5, 434, 1)
        assert waiting.chance(found, days=0) == 0
        assert waiting.expected_days(found, until=0) == 0
        assert waiting.day_by(found, reaching=0) == 0

    def test_the_mean_of_the_marks(self):
        """Four that came, and half a machine of the prior at .5."""
        found = Arrivals.counted([0.9, 0.7, 0.2, 0.4], span_days=364)
        assert found.p_serves == pytest.approx((2.2 + 0.25) / 4.5)
        assert found.a_year == pytest.approx(365.25 * 2.45 / 434)

    def test_faster_arrivals(self):
        found = Arrivals(4.5, 434, 0.5)
        assert found.faster(3).a_year == pytest.approx(3 * found.a_year)


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        (lambda: Arrivals.counted([0.5], span_days=-1), "span_days"),
        (lambda: Arrivals.counted([0.5], span_days=0), "span_days"),
        (lambda: Arrivals.counted([0.5], span_days=math.nan), "span_days"),
        (lambda: Arrivals.counted([1.5], span_days=10), "chances"),
        (lambda: Arrivals.counted([-0.1], span_days=10), "chances"),
        (lambda: Arrivals.counted([], span_days=10, prior=Prior(shape=0)), "prior_shape"),
        (lambda: Arrivals.counted([], span_days=10, prior=Prior(days=0)), "prior_days"),
        (lambda: Arrivals.counted([], span_days=10, prior=Prior(p_serves=2)), "prior_p_serves"),
        (lambda: Arrivals(1, 1, 1).faster(0), "times"),
        (lambda: waiting.chance(Arrivals(1, 1, 1), days=-1), "days"),
        (lambda: waiting.chance(Arrivals(1, 1, 1), days=1, ahead=-1), "ahead"),
        (lambda: waiting.chance(Arrivals(1, 1, 1), days=1, ahead=0.5), "ahead"),
        (lambda: waiting.day_by(Arrivals(1, 1, 1), reaching=1), "reaching"),
        (lambda: waiting.curve(Arrivals(1, 1, 1), [1], band=1), "band"),
        (lambda: waiting.expected_days(Arrivals(1, 1, 1), until=math.inf), "days"),
    ],
)
def test_bad_input_is_refused_by_name(asked, field):
    with pytest.raises(ValueRefused) as refused:
        asked()
    assert field in refused.value.fields


def _mark(dice, typical):
    return min(1.0, max(0.0, typical + dice.uniform(-0.2, 0.2)))


def _poisson(dice, mean):
    """Knuth's method; means here are small."""
    limit, product, count = math.exp(-mean), dice.random(), 0
    while product > limit:
        product *= dice.random()
        count += 1
    return count
