"""Coils and insulation against published single readings (check-values 3.7); ranges are guides."""

import pytest

from parts.domain.bench import coil
from parts.domain.bench.limits import Standing
from parts.domain.bench.verdicts import OPEN, Outcome
from tests.unit.parts.domain.bench.limits import LIMITS
from workshop.domain.refusals import ValueRefused

# Readings as service sheets and meter guides print them; each has to lie in its range.
PUBLISHED = [
    ("drain-pump-coil-230v", 165),
    ("drain-pump-coil-230v", 180),
    ("bldc-pump-phase", 6),
    ("inlet-valve-coil-230v", 3800),
    ("inlet-valve-coil-120v", 700),
    ("inlet-valve-coil-120v", 850),
    ("softener-solenoid-230v", 6000),
    ("dispenser-actuator-230v", 1500),
    ("fan-motor-coil-230v", 7750),
    ("dishwasher-motor-start", 50),
    ("dishwasher-motor-aux", 180),
    ("tacho-coil", 120),
    ("tacho-coil", 210),
    ("pressure-sensor-coil", 23),
]


@pytest.mark.parametrize(("slug", "ohm"), PUBLISHED)
def test_published_readings_pass(slug, ohm):
    assert coil.judge_resistance(slug, ohm, limits=LIMITS).outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("ohm", "outcome"),
    [
        (0.5, Outcome.FAIL),  # shorted
        (59.9, Outcome.FAIL),
        (100, Outcome.DOUBTFUL),
        (120, Outcome.PASS),
        (440, Outcome.DOUBTFUL),
        (441, Outcome.FAIL),
        (OPEN, Outcome.FAIL),
        (None, Outcome.NOT_MEASURED),
    ],
)
def test_a_drain_pumps_coil(ohm, outcome):
    verdict = coil.judge_resistance("drain-pump-coil-230v", ohm, limits=LIMITS)
    assert verdict.outcome is outcome
    assert verdict.unit == "ohm"


def test_no_range_of_a_part_claims_to_be_a_standards():
    standings = {limit.standing for limit in LIMITS.limits.values() if limit.unit == "ohm"}
    assert Standing.STANDARD not in standings


@pytest.mark.parametrize(
    ("mohm", "outcome"),
    [
        (1.0, Outcome.PASS),
        (0.99, Outcome.DOUBTFUL),  # absorbed moisture: dry and repeat
        (0.3, Outcome.DOUBTFUL),
        (0.29, Outcome.FAIL),
        (OPEN, Outcome.PASS),  # over the tester's range
        (None, Outcome.NOT_MEASURED),
    ],
)
def test_a_heaters_insulation(mohm, outcome):
    """From memory: 1 Mohm dry at 500 V; below 0.3 Mohm the usual reject."""
    verdict = coil.judge_insulation("heater-insulation", mohm, limits=LIMITS)
    assert verdict.outcome is outcome
    assert ("Dry it" in verdict.sentence) is (outcome is Outcome.DOUBTFUL)


def test_the_two_kinds_of_limit_are_not_mixed():
    with pytest.raises(ValueRefused, match="no range in ohm"):
        coil.judge_resistance("heater-insulation", 1.0, limits=LIMITS)
    with pytest.raises(ValueRefused, match="no insulation limit"):
        coil.judge_insulation("tacho-coil", 1.0, limits=LIMITS)
    with pytest.raises(ValueRefused, match="negative"):
        coil.judge_resistance("tacho-coil", -1.0, limits=LIMITS)
    with pytest.raises(ValueRefused, match="finite"):
        coil.judge_insulation("heater-insulation", float("inf"), limits=LIMITS)


def test_limits_of_a_kind():
    assert [row.slug for row in LIMITS.for_kind("magnetron")] == [
        "magnetron-filament",
        "magnetron-insulation",
    ]
