"""A verdict names its limit and what that is worth; what was not measured never passes."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench.limits import Limit, Standing
from parts.domain.bench.verdicts import OPEN, Outcome, checked, judge, worst
from tests.unit.parts.domain.bench.limits import LIMITS
from workshop.domain.refusals import ValueRefused


def limit(*, standing=Standing.GUIDE, strict=False, low=10.0, high=20.0, wide=(5.0, 30.0)):
    return Limit("row", "ohm", low, high, *wide, standing, "a source", strict)


@pytest.mark.parametrize(
    ("measured", "outcome"),
    [
        (None, Outcome.NOT_MEASURED),
        (OPEN, Outcome.FAIL),
        (4.99, Outcome.FAIL),
        (5.0, Outcome.DOUBTFUL),
        (9.99, Outcome.DOUBTFUL),
        (10.0, Outcome.PASS),
        (20.0, Outcome.PASS),
        (20.01, Outcome.DOUBTFUL),
        (30.01, Outcome.FAIL),
    ],
)
def test_outcome_by_reading(measured, outcome):
    assert judge("coil", measured, limit()).outcome is outcome


@pytest.mark.parametrize(
    ("measured", "outcome"),
    [(5.0, Outcome.FAIL), (10.0, Outcome.DOUBTFUL), (10.1, Outcome.PASS)],
)
def test_strict_ends_are_outside(measured, outcome):
    assert judge("coil", measured, limit(strict=True)).outcome is outcome


@pytest.mark.parametrize(
    ("standing", "says"),
    [
        (Standing.STANDARD, "limit of a standard"),
        (Standing.DERIVED, "derived from a standard, not itself its limit"),
        (Standing.MAKER, "a maker's figure for one part"),
        (Standing.GUIDE, "guide value, common practice"),
    ],
)
@pytest.mark.parametrize("measured", [15.0, 25.0, 50.0, None, OPEN])
def test_the_sentence_names_standing_and_source(standing, says, measured):
    verdict = judge("coil", measured, limit(standing=standing))
    assert f"({says}; a source)" in verdict.sentence
    assert verdict.is_standards_limit is (standing is Standing.STANDARD)


def test_sentences():
    assert judge("coil", 15.0, limit()).sentence == (
        "Coil: 15 ohm, within 10 to 20 ohm (guide value, common practice; a source). "
        "Plausible, no proof."
    )
    assert judge("coil", 25.0, limit()).sentence == (
        "Coil: 25 ohm, outside 10 to 20 ohm (guide value, common practice; a source). "
        "Doubtful, not failed: within 5 to 30 ohm."
    )
    assert judge("coil", None, limit()).sentence == (
        "Coil: not measured; it would be held against 10 to 20 ohm "
        "(guide value, common practice; a source)."
    )
    assert judge("coil", OPEN, limit()).sentence.startswith("Coil: open circuit, outside 10 to 20")


@pytest.mark.parametrize(
    ("slug", "words"),
    [
        ("brush-length", "more than 15 mm"),
        ("heater-insulation", "at least 1 Mohm"),
        ("winding-balance", "0 to 3 %"),
    ],
)
def test_limits_in_words(slug, words):
    assert str(LIMITS[slug]) == words


def test_a_pass_on_a_guide_value_is_plausible_only():
    assert judge("coil", 15.0, limit()).plausible_only
    assert judge("coil", 15.0, limit(standing=Standing.MAKER)).plausible_only
    assert not judge("coil", 15.0, limit(standing=Standing.STANDARD)).plausible_only
    assert not judge("coil", 25.0, limit()).plausible_only


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (-3.0, "-3 ohm is negative; measure again or leave it blank"),
        (math.nan, "nan is no reading; give a finite number or leave it blank"),
        (math.inf, "inf is no reading; give a finite number or leave it blank"),
        ("12", "'12' is no number"),
        (True, "True is no number"),
    ],
)
def test_bad_readings_are_refused_by_field(value, says):
    with pytest.raises(ValueRefused) as refused:
        checked("measured_ohm", value, "ohm")
    assert refused.value.fields == {"measured_ohm": says}


@given(st.lists(st.none() | st.just(OPEN) | st.floats(0, 100), min_size=1))
def test_several_readings_pass_only_when_each_does(readings):
    verdicts = [judge("coil", one, limit()) for one in readings]
    outcomes = {verdict.outcome for verdict in verdicts}
    found = worst(verdicts).outcome
    assert (found is Outcome.PASS) == (outcomes == {Outcome.PASS})
    assert (found is Outcome.FAIL) == (Outcome.FAIL in outcomes)


@given(st.floats(0, 1e6))
def test_no_row_of_the_data_passes_what_was_not_measured(value):
    for row in LIMITS.limits.values():
        assert judge(row.quantity, None, row).outcome is Outcome.NOT_MEASURED
        # the wider window holds the inner one, so nothing can pass and be doubtful
        assert not (row.passes(value) and row.is_doubtful(value))
