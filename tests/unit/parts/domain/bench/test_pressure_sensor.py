"""Pressure sensor: frequencies of one service manual, p. 21 (a maker's, not a standard's)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench import pressure_sensor
from parts.domain.bench.limits import Standing
from parts.domain.bench.verdicts import Outcome
from tests.unit.parts.domain.bench.limits import LIMITS
from tests.unit.published import rows
from workshop.domain.refusals import ValueRefused


def judge(*points):
    return pressure_sensor.judge_frequencies(points, limits=LIMITS)


def test_the_manuals_own_readings_pass_in_any_order():
    points = [(height * 50.0, khz) for height, (khz,) in enumerate(rows("pressure_sensor"))]
    assert judge(*points).outcome is judge(*points[::-1]).outcome is Outcome.PASS
    assert judge(*points).limit.standing is Standing.MAKER
    assert judge(*points).plausible_only


@pytest.mark.parametrize(
    ("points", "outcome"),
    [
        (((0, 25.2), (200, 25.2)), Outcome.FAIL),  # does not move
        (((0, 24.0), (200, 25.2)), Outcome.FAIL),  # rises
        (((0, 25.2), (100, 24.0), (200, 24.5)), Outcome.FAIL),
        (((0, 28.0), (200, 24.5)), Outcome.DOUBTFUL),
        (((0, 40.0), (200, 24.5)), Outcome.FAIL),
        (((0, 25.2),), Outcome.NOT_MEASURED),
        (((0, 25.2), (200, None)), Outcome.NOT_MEASURED),
        (((0, 40.0),), Outcome.FAIL),
    ],
)
def test_outcomes(points, outcome):
    assert judge(*points).outcome is outcome


def test_the_sentence_says_where_it_does_not_fall():
    assert "from 100 to 200 mm of water (24 kHz, then 24.5 kHz)" in (
        judge((0, 25.2), (100, 24.0), (200, 24.5)).sentence
    )


@given(st.lists(st.floats(22, 27), min_size=2, max_size=6, unique=True))
def test_only_a_steady_fall_passes(frequencies):
    points = [(place * 10.0, khz) for place, khz in enumerate(frequencies)]
    falls = frequencies == sorted(frequencies, reverse=True)
    assert (judge(*points).outcome is Outcome.PASS) is falls


@pytest.mark.parametrize(
    "points", [(), ((0, -1),), ((0, 25), (0, 24)), ((-1, 25),), ((0, float("inf")),)]
)
def test_bad_readings_are_refused(points):
    with pytest.raises(ValueRefused):
        judge(*points)


def test_each_bad_reading_is_named():
    with pytest.raises(ValueRefused) as refused:
        judge((-1, 25), (100, float("nan")))
    assert set(refused.value.fields) == {"water 1", "frequency 2"}
