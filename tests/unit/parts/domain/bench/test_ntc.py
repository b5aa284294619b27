"""NTC sensors against a datasheet's tables, its B, and a second publication's coefficients."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench import ntc
from parts.domain.bench.limits import Standing
from parts.domain.bench.ntc import Curve, SteinhartHart
from parts.domain.bench.verdicts import OPEN, Outcome
from tests.unit.parts.domain.bench.limits import LIMITS
from tests.unit.published import VALUES, rows
from workshop.domain.refusals import ValueRefused

CURVES = {slug: Curve.of(row) for slug, row in LIMITS.curves.items()}
SHEET = VALUES["steinhart_hart"]
PUBLISHED = SteinhartHart(SHEET["a"], SHEET["b"], SHEET["c"])
degrees = st.floats(-50, 140)


@pytest.mark.parametrize("slug", ["8016", "8018"])
def test_curves_hold_every_row_of_the_datasheet(slug):
    for at_c, ratio in rows(f"ntc_{slug}"):
        assert CURVES[slug].ratio(at_c) == pytest.approx(ratio, rel=1e-9)
        assert CURVES[slug].temperature_c(ratio) == pytest.approx(at_c, abs=1e-6)


def test_between_two_rows():
    """Check-values 3.4: 22.5 °C lies at 11 165.4 ohm, ln R straight over 1/T (computed apart)."""
    assert CURVES["8016"].ratio(22.5) * 10_000 == pytest.approx(11_165.4, abs=0.05)


@pytest.mark.parametrize(("ohm_1", "at_1", "ohm_2", "at_2", "beta"), rows("ntc_beta"))
def test_published_b(ohm_1, at_1, ohm_2, at_2, beta):
    found = ntc.beta_k(ohm_1=ohm_1, at_1_c=at_1, ohm_2=ohm_2, at_2_c=at_2)
    assert found == pytest.approx(beta, abs=0.6)


def test_the_datasheets_own_b():
    """The datasheets print B25/100 3988 K (8016) and 3964 K (8018)."""
    for slug, digits in (("8016", 1.0), ("8018", 1.0)):
        found = ntc.beta_k(ohm_1=1, at_1_c=25, ohm_2=CURVES[slug].ratio(100), at_2_c=100)
        assert found == pytest.approx(LIMITS.curves[slug]["beta_k"], abs=digits)


@pytest.mark.parametrize(("at_c", "percent"), rows("ntc_b_model_error"))
def test_how_far_one_b_is_off_the_table(at_c, percent):
    by_b = ntc.resistance_ohm(r25_ohm=10_000, beta_k=3988, at_c=at_c)
    by_table = CURVES["8016"].ratio(at_c) * 10_000
    assert (by_b / by_table - 1) * 100 == pytest.approx(percent, abs=6e-3)


@pytest.mark.parametrize(("ohm", "at_c"), rows("ntc_b_model_reading"))
def test_temperature_by_one_b(ohm, at_c):
    found = ntc.temperature_c(ohm=ohm, r25_ohm=10_000, beta_k=3988)
    assert found == pytest.approx(at_c, abs=5e-3)


@pytest.mark.parametrize("at_c", range(0, 101, 10))
def test_one_b_is_good_to_1_k_between_0_and_100(at_c):
    ohm = CURVES["8016"].ratio(at_c) * 10_000
    assert abs(ntc.temperature_c(ohm=ohm, r25_ohm=10_000, beta_k=3988) - at_c) <= 1


@pytest.mark.parametrize(("ohm", "at_c"), rows("steinhart_hart"))
def test_published_steinhart_hart(ohm, at_c):
    assert PUBLISHED.temperature_c(ohm) == pytest.approx(at_c, abs=5e-4)


def test_two_publications_agree():
    """A module sheet's coefficients and another maker's table: within 0.08 K, 0 to 100 °C."""
    for ohm, _ in rows("steinhart_hart"):
        table = CURVES["8016"].temperature_c(ohm / 10_000)
        assert abs(PUBLISHED.temperature_c(ohm) - table) <= 0.085


def test_a_curve_through_three_points():
    block = VALUES["steinhart_hart_fit"]
    found = SteinhartHart.through([tuple(point) for point in block["points"]])
    assert (found.a, found.b, found.c) == pytest.approx(tuple(block["rows"][0]), rel=1e-6)
    for at_c, ratio in rows("ntc_8016"):  # residual below 0.03 K over -30 to 150 °C
        if at_c >= -30:
            assert abs(found.temperature_c(ratio * 10_000) - at_c) < 0.035


def test_the_misprint_of_a_dryers_table_is_caught():
    """Its row at 15 °C, 17.48 kohm, implies B 4798; every other row about 3400."""
    block = VALUES["ntc_dryer_table"]
    table = {float(at_c): float(ohm) for at_c, ohm in block["rows"]}
    found = ntc.outliers(table, limits=LIMITS)
    assert list(found) == [block["outlier_celsius"]]
    assert found[15] == pytest.approx(block["outlier_beta_k"], abs=0.6)


@pytest.mark.parametrize("slug", ["8016", "8018"])
def test_no_row_of_a_sound_table_is_an_outlier(slug):
    table = {at_c: ratio * 10_000 for at_c, ratio in rows(f"ntc_{slug}")}
    assert ntc.outliers(table | {25: 10_000}, limits=LIMITS) == {}


@given(degrees, degrees)
def test_colder_reads_more(one, other):
    cold, warm = sorted((one, other))
    for curve in (
        CURVES["8016"].ratio,
        lambda t: ntc.resistance_ohm(r25_ohm=1, beta_k=3988, at_c=t),
    ):
        assert curve(cold) >= curve(warm)


@given(degrees)
def test_there_and_back(at_c):
    assert CURVES["8016"].temperature_c(CURVES["8016"].ratio(at_c)) == pytest.approx(at_c, abs=1e-6)
    ohm = ntc.resistance_ohm(r25_ohm=10_000, beta_k=3988, at_c=at_c)
    assert ntc.temperature_c(ohm=ohm, r25_ohm=10_000, beta_k=3988) == pytest.approx(at_c, abs=1e-6)


@pytest.mark.parametrize(
    ("ohm", "outcome"),
    [
        (12_490, Outcome.PASS),
        (12_490 * 1.06, Outcome.DOUBTFUL),
        (12_490 * 1.11, Outcome.FAIL),
        (OPEN, Outcome.FAIL),
        (None, Outcome.NOT_MEASURED),
    ],
)
def test_outcomes(ohm, outcome):
    expected = CURVES["8016"].ratio(20) * 10_000
    verdict = ntc.judge_resistance(measured_ohm=ohm, expected_ohm=expected, at_c=20, limits=LIMITS)
    assert verdict.outcome is outcome
    assert not verdict.is_standards_limit


@pytest.mark.parametrize(("r25_percent", "at_c", "percent"), rows("ntc_spread"))
def test_published_spreads(r25_percent, at_c, percent):
    found = ntc.spread_percent(at_c=at_c, beta_k=3988, r25_percent=r25_percent)
    assert found == pytest.approx(percent, abs=5e-3)


def test_a_makers_tolerances_take_the_place_of_the_guide():
    """A sound 5 % part may be 6.4 % off at 60 °C; the guide alone would doubt it."""
    spread = ntc.spread_percent(at_c=60, beta_k=3988, r25_percent=5)
    expected = CURVES["8016"].ratio(60) * 10_000
    reading = {"expected_ohm": expected, "at_c": 60, "limits": LIMITS}
    by_guide = ntc.judge_resistance(measured_ohm=expected * 1.064, **reading)
    by_maker = ntc.judge_resistance(measured_ohm=expected * 1.064, spread=spread, **reading)
    assert (by_guide.outcome, by_maker.outcome) == (Outcome.DOUBTFUL, Outcome.PASS)
    assert by_maker.limit.standing is Standing.MAKER
    beyond = ntc.judge_resistance(measured_ohm=expected * 0.91, spread=spread, **reading)
    assert beyond.outcome is Outcome.DOUBTFUL
    wide = ntc.judge_resistance(measured_ohm=expected * 1.19, spread=20, **reading)
    assert wide.outcome is Outcome.PASS
    with pytest.raises(ValueRefused, match="more than 0"):
        ntc.judge_resistance(measured_ohm=expected, spread=0, **reading)


def test_a_reading_without_a_temperature_is_refused():
    with pytest.raises(ValueRefused) as refused:
        ntc.judge_resistance(measured_ohm=9000, expected_ohm=10_000, at_c=None, limits=LIMITS)
    assert list(refused.value.fields) == ["at_c"]
    verdict = ntc.judge_resistance(measured_ohm=None, expected_ohm=10_000, at_c=None, limits=LIMITS)
    assert verdict.outcome is Outcome.NOT_MEASURED


@pytest.mark.parametrize(
    "ask",
    [
        lambda: ntc.resistance_ohm(r25_ohm=0, beta_k=3988, at_c=20),
        lambda: ntc.temperature_c(ohm=-1, r25_ohm=10_000, beta_k=3988),
        lambda: ntc.temperature_c(ohm=1e-9, r25_ohm=10_000, beta_k=3988),
        lambda: ntc.beta_k(ohm_1=1, at_1_c=25, ohm_2=2, at_2_c=25),
        lambda: CURVES["8016"].ratio(151),
        lambda: CURVES["8016"].temperature_c(math.nan),
        lambda: PUBLISHED.temperature_c(0),
        lambda: SteinhartHart.through([(0, 1.0), (50, 1.0), (100, 2.0)]),
        lambda: ntc.outliers({25: 1, 30: 2}, limits=LIMITS),
        lambda: Curve.of({"slug": "x", "points": {"0": 1, "10": 2}, "source": ""}),
    ],
)
def test_what_cannot_be_is_refused(ask):
    with pytest.raises(ValueRefused):
        ask()
