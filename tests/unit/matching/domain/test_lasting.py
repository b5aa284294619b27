"""How long fitted parts last. Judges: the published 6-MP trial, scipy.stats.ecdf, simulation."""

import math
import random
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import CensoredData, ecdf

from matching.domain.lasting import Fitted, WarrantyGuide, by_group, lasting
from tests.unit.published import VALUES, rows
from tests.unit.reference import read
from workshop.domain.refusals import ValueRefused

GUIDE = WarrantyGuide.of(read("warranty_days"))
watches = st.lists(
    st.builds(Fitted, days=st.integers(1, 60).map(float), failed=st.booleans()), min_size=1
)


def trial(name):
    block = VALUES[name]
    failed = [Fitted(float(week), failed=True) for week in block["events"]]
    return failed + [Fitted(float(week), failed=False) for week in block.get("censored", [])]


class TestPublished:
    """Freireich and others 1963; lifelines gave the survival of the first arm."""

    @pytest.mark.parametrize(("week", "survival"), rows("kaplan_meier_6mp"))
    def test_6mp_arm(self, week, survival):
        assert lasting(trial("kaplan_meier_6mp")).working_after(week).working == pytest.approx(
            survival, abs=5e-7
        )

    @pytest.mark.parametrize(("week", "survival", "error"), rows("kaplan_meier_control"))
    def test_control_arm(self, week, survival, error):
        step = lasting(trial("kaplan_meier_control")).working_after(week)
        assert step.working == pytest.approx(survival, abs=5e-4)
        assert step.error == pytest.approx(error, abs=5e-4)

    def test_one_who_leaves_on_the_day_of_failures_is_still_at_risk(self):
        """Check-values 5.6: at week 6, 21 at risk."""
        first = lasting(trial("kaplan_meier_6mp")).steps[0]
        assert (first.day, first.at_risk, first.failed) == (6, 21, 3)

    def test_median_of_the_6mp_arm(self):
        """23 weeks, the published median remission."""
        assert lasting(trial("kaplan_meier_6mp")).median_days == 23


@given(watches)
def test_equals_scipy(parts):
    """scipy.stats.ecdf of censored data, its band by log-log Greenwood."""
    failed = [one.days for one in parts if one.failed]
    working = [one.days for one in parts if not one.failed]
    judge = ecdf(CensoredData(uncensored=failed, right=working)).sf
    found = lasting(parts)
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)  # it has no band at 0 and 1
        band = judge.confidence_interval(method="log-log")
    for step in found.steps:
        at = int(np.searchsorted(judge.quantiles, step.day))
        assert step.working == pytest.approx(judge.probabilities[at], abs=1e-12)
        if 0 < step.working < 1:
            assert step.low == pytest.approx(band.low.probabilities[at], abs=1e-9)
            assert step.high == pytest.approx(band.high.probabilities[at], abs=1e-9)


@given(watches)
def test_falls_and_keeps_within_its_band(parts):
    steps = lasting(parts).steps
    assert [step.working for step in steps] == sorted((s.working for s in steps), reverse=True)
    for step in steps:
        assert 0 <= step.low <= step.working <= step.high <= 1


@given(st.lists(st.integers(1, 60), min_size=1))
def test_where_all_failed_it_is_the_plain_share(days):
    """Without censoring the estimate is the share of parts that outlived the day."""
    found = lasting(Fitted(float(day), failed=True) for day in days)
    for step in found.steps:
        plain = sum(day > step.day for day in days) / len(days)
        assert step.working == pytest.approx(plain, abs=1e-12)


def test_the_band_holds_the_truth_as_often_as_it_says():
    """2,000 simulated groups of 40, exponential lives, uniform watches: 94 to 96 % of bands."""
    dice, held, seen = random.Random(5), 0, 0
    for _ in range(2_000):
        parts = []
        for _ in range(40):
            life, watch = dice.expovariate(1 / 200), dice.uniform(60, 400)
            parts.append(Fitted(min(life, watch), failed=life <= watch))
        step = lasting(parts).working_after(90)
        if step is not None and step.failed:
            seen += 1
            held += step.low <= math.exp(-90 / 200) <= step.high
    assert seen > 1_900
    assert 0.92 <= held / seen <= 0.98


class TestLimits:
    def test_nothing_fitted(self):
        found = lasting([])
        assert found.steps == ()
        assert found.working_after(1) is None
        assert found.median_days is None

    def test_nothing_failed_is_no_certainty(self):
        """Ten of ten: the 95 % Wilson interval begins at .722 (n / (n + z^2))."""
        step = lasting([Fitted(90.0, failed=False)] * 10).working_after(60)
        assert step.working == 1
        assert step.high == pytest.approx(1)
        assert step.low == pytest.approx(10 / (10 + 1.959964**2), abs=1e-6)

    def test_beyond_the_longest_watch_nothing_is_said(self):
        found = lasting([Fitted(30.0, failed=False), Fitted(10.0, failed=True)])
        assert found.working_after(30).working == 0.5
        assert found.working_after(31) is None

    def test_all_failed(self):
        step = lasting([Fitted(5.0, failed=True)] * 4).steps[-1]
        assert (step.working, step.error, step.low) == (0, 0, 0)
        assert 0 < step.high < 1
        assert lasting([Fitted(5.0, failed=True)] * 4).working_after(400) == step

    def test_groups(self):
        parts = [
            Fitted(10.0, failed=True, kind="drain-pump", grade="untested"),
            Fitted(20.0, failed=False, kind="drain-pump", grade="tested-good"),
            Fitted(30.0, failed=False, kind="belt", grade="untested"),
        ]
        groups = by_group(parts)
        assert list(groups) == [
            ("belt", "untested"),
            ("drain-pump", "tested-good"),
            ("drain-pump", "untested"),
        ]
        assert groups["drain-pump", "untested"].failed == 1

    @pytest.mark.parametrize("days", [-1.0, math.nan, math.inf])
    def test_days_that_cannot_be(self, days):
        with pytest.raises(ValueRefused) as refused:
            lasting([Fitted(days, failed=True)])
        assert "days" in refused.value.fields


class TestWarranty:
    """practice.md 7: 30 for untested, 60 to 90 for tested, none on consumables."""

    @pytest.mark.parametrize(
        ("grade", "days"),
        [("tested-good", 90), ("tested-worn", 60), ("untested", 30), ("scrap", 0)],
    )
    def test_by_grade(self, grade, days):
        found = GUIDE.promised(kind="control-board", grade=grade)
        assert found.days == days
        assert "by the guide; the law may set more" in found.because

    def test_none_on_what_is_used_up(self):
        assert GUIDE.promised(kind="belt", grade="tested-good").days == 0

    def test_unknown_grade(self):
        with pytest.raises(ValueRefused, match="'as new' has no row"):
            GUIDE.promised(kind="belt", grade="as new")


@given(watches, st.integers(2, 4))
def test_counted_rows_say_the_same_as_single_ones(parts, times):
    """What a database counts together and what is listed one by one."""
    counted = lasting(Fitted(one.days, one.failed, count=times) for one in parts)
    assert counted == lasting(parts * times)


def test_at_risk_and_quartiles_of_the_6mp_arm():
    """Freireich and others 1963: 21 at risk at week 6, 17 at 7, 12 at 13; 75 % left at week 13."""
    found = lasting(trial("kaplan_meier_6mp"))
    assert [found.at_risk(week) for week in (6, 7, 13)] == [21, 17, 12]
    assert found.day_by(0.25) == 13
    assert found.day_by(0.9) is None
    assert lasting([]).at_risk(1) == 0


def test_a_count_below_nothing_is_refused():
    with pytest.raises(ValueRefused) as refused:
        lasting([Fitted(3.0, failed=True, count=-1)])
    assert "count" in refused.value.fields
