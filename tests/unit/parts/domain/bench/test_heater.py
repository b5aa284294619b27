"""Heater window: values of check-values 3.1, computed apart; the table from memory (so marked)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench import heater, plates
from parts.domain.bench.limits import Standing
from parts.domain.bench.verdicts import OPEN, Outcome
from tests.unit.parts.domain.bench.limits import LIMITS
from tests.unit.published import VALUES, rows
from workshop.domain.refusals import ValueRefused

watts = st.floats(26, 6000)


@pytest.mark.parametrize(("volts", "power", "nominal", "low", "high"), rows("heater_window"))
def test_published_windows(volts, power, nominal, low, high):
    found = heater.window(watts=power, volts=volts, limits=LIMITS)
    assert found.nominal == pytest.approx(nominal, abs=5e-4)
    assert found.low == pytest.approx(low, abs=5e-4)
    assert found.high == pytest.approx(high, abs=5e-4)


@pytest.mark.parametrize(("power", "ohm"), [(2000, 26.5), (1000, 53), (500, 106)])
def test_nominals_of_a_meter_guide(power, ohm):
    """Seen printed on a meter guide of a spares shop, rounded to half an ohm."""
    found = heater.window(watts=power, volts=230, limits=LIMITS)
    assert found.nominal == pytest.approx(ohm, abs=0.25)


def test_a_service_sheets_heater_lies_in_the_window():
    """A dishwasher service sheet: 2100 W, 25 ohm +/-8 %, its thermostat in series."""
    verdict = heater.judge_resistance(measured_ohm=25, watts=2100, volts=230, limits=LIMITS)
    assert verdict.outcome is Outcome.PASS


@pytest.mark.parametrize("row", rows("power_deviation"))
def test_the_table_of_deviations_is_the_one_remembered(row):
    """IEC 60335-1 cl. 10.1 table 1, from memory; motor rows corroborated."""
    assert VALUES["power_deviation"]["columns"][0] == "kind"
    data = [[d.kind, d.above_w, d.to_w, d.minus, d.plus, d.plus_w] for d in LIMITS.deviations]
    kind, above, to, minus, plus, plus_w = row
    assert [kind, above, to, abs(minus) if minus else None, plus, plus_w] in data


def test_the_20_watt_rule_ends_at_400_w():
    """Where 5 % is 20 W: below it the 20 W count, above it the 5 %."""
    for power, plus in ((399, 20 / 399), (400, 0.05), (401, 0.05)):
        found = heater.window(watts=power, volts=230, limits=LIMITS)
        assert found.nominal / found.low - 1 == pytest.approx(plus)


def test_outcomes_at_the_ends():
    def outcome(ohm):
        return heater.judge_resistance(
            measured_ohm=ohm, watts=2000, volts=230, limits=LIMITS
        ).outcome

    found = heater.window(watts=2000, volts=230, limits=LIMITS)
    assert outcome(found.low) is outcome(found.high) is Outcome.PASS
    assert outcome(found.low - 0.01) is Outcome.FAIL
    assert outcome(found.high + 0.4) is Outcome.DOUBTFUL  # leads of 0.2 to 0.5 ohm
    assert outcome(found.high + 0.6) is outcome(OPEN) is Outcome.FAIL
    assert outcome(None) is Outcome.NOT_MEASURED


def test_what_is_only_remembered_is_a_guide_and_says_so():
    """The heating rows were not seen in the standard (check-values 8): shown as guide value."""
    verdict = heater.judge_resistance(measured_ohm=26.45, watts=2000, volts=230, limits=LIMITS)
    assert verdict.limit.standing is Standing.GUIDE
    assert verdict.plausible_only
    assert verdict.sentence == (
        "Heater resistance: 26.45 ohm, within 25.19 to 29.389 ohm (guide value, common practice; "
        "U²/P of 230 V 2000 W; deviation from memory: IEC 60335-1 cl. 10.1 table 1). Plausible, "
        "no proof."
    )


def test_what_was_corroborated_is_derived_and_never_the_standards_own():
    verdict = heater.judge_resistance(
        measured_ohm=40, watts=1200, volts=230, limits=LIMITS, kind="motor"
    )
    assert verdict.limit.standing is Standing.DERIVED
    assert not verdict.is_standards_limit


def test_a_heater_of_25_w_or_less_has_no_upper_end():
    found = heater.window(watts=25, volts=230, limits=LIMITS)
    assert found.high is None
    assert found.low == pytest.approx(230**2 / 25 / 1.2)


@given(watts, watts)
def test_more_power_reads_fewer_ohms(one, other):
    low, high = sorted((one, other))
    weak = heater.window(watts=low, volts=230, limits=LIMITS)
    strong = heater.window(watts=high, volts=230, limits=LIMITS)
    assert weak.nominal >= strong.nominal
    assert strong.low <= strong.nominal <= strong.high


def test_2000_w_at_12_v_is_no_plate_of_a_mains_machine():
    with pytest.raises(ValueRefused) as refused:
        heater.window(watts=2000, volts=12, limits=LIMITS)
    assert refused.value.fields == {
        "volts": "12 V is no mains voltage (100 to 480 V); 2000 W at 12 V would draw 166.7 A: "
        "read the plate again"
    }


@pytest.mark.parametrize(
    ("plate", "field"),
    [
        ({"watts": 2000, "volts": 12, "mains": False}, "watts"),
        ({"watts": 50_000, "volts": 230}, "watts"),
        ({"watts": 0, "volts": 230}, "watts"),
        ({"watts": -5, "volts": 230}, "watts"),
        ({"watts": 2000, "volts": float("nan")}, "volts"),
        ({"watts": 2000, "volts": 2300}, "volts"),
    ],
)
def test_other_impossible_plates(plate, field):
    with pytest.raises(ValueRefused) as refused:
        plates.check(**plate, limits=LIMITS)
    assert list(refused.value.fields) == [field]


def test_both_fields_are_named_at_once():
    with pytest.raises(ValueRefused) as refused:
        plates.check(watts=float("inf"), volts=-230, limits=LIMITS)
    assert set(refused.value.fields) == {"watts", "volts"}


def test_a_low_voltage_part_is_no_mains_plate():
    plates.check(watts=24, volts=12, limits=LIMITS, mains=False)
    reading = {"measured_ohm": 6.0, "watts": 24, "volts": 12, "limits": LIMITS}
    assert heater.judge_resistance(**reading, mains=False).outcome is Outcome.PASS
    with pytest.raises(ValueRefused, match="no mains voltage"):
        heater.judge_resistance(**reading)


def test_a_range_with_one_wattage_stands_for_its_mean():
    """Rated-range rule, a test-house forum on cl. 5.8.4: 220-240 V is 230 V."""
    assert plates.volts_of_range(220, 240) == 230
    with pytest.raises(ValueRefused, match="below the lower end"):
        plates.volts_of_range(240, 220)
