"""Forms filled in: verdicts against published figures, and sentences by input.

Figures as in the tests of each function: service sheets and datasheets named there.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from parts.domain.bench.limits import Standing
from parts.domain.bench.verdicts import Outcome
from parts.domain.bench_forms.forms import BenchForms, overall
from parts.domain.bench_forms.inputs import Ask
from parts.domain.bench_forms.records import as_record, from_record, stated
from parts.domain.bench_forms.rows import Stage
from tests.unit.parts.domain.bench.limits import LIMITS
from tests.unit.published import rows
from tests.unit.reference import read
from workshop.domain.refusals import ValueRefused

FORMS = BenchForms.of(read("bench_forms"))
KINDS = [row["slug"] for row in read("part_kinds")]


def judged(kind, **typed):
    form = FORMS[kind]
    found = form.judge(form.read(typed), limits=LIMITS)
    return {one.test.slug: one.verdict for one in found}


def refused_fields(kind, **typed):
    with pytest.raises(ValueRefused) as refused:
        judged(kind, **typed)
    return refused.value.fields


@pytest.mark.parametrize("kind", KINDS)
def test_an_empty_form_measures_nothing_and_passes_nothing(kind):
    verdicts = judged(kind).values()
    assert verdicts
    assert {verdict.outcome for verdict in verdicts} == {Outcome.NOT_MEASURED}
    assert overall(verdicts) is Outcome.NOT_MEASURED


@pytest.mark.parametrize("kind", KINDS)
def test_tests_come_in_the_order_of_a_bench_test(kind):
    stages = [list(Stage).index(test.stage) for test in FORMS[kind].tests]
    assert stages == sorted(stages)
    assert FORMS[kind].tests[0].stage is Stage.LOOK


@pytest.mark.parametrize("kind", KINDS)
def test_every_input_says_what_it_is(kind):
    for name, one in FORMS[kind].inputs.items():
        assert name.isidentifier()
        assert one.label
        assert one.values or one.unit
        assert (one.type in (Ask.ANSWER, Ask.CHOICE)) == bool(one.values)


def test_a_kind_is_asked_only_for_what_it_needs():
    assert list(FORMS["heater"].inputs) == [
        "volts", "watts", "heater_look", "element_resistance_ohm", "sheath_insulation_mohm",
    ]  # fmt: skip
    assert list(FORMS["belt"].inputs) == ["belt_look"]


@pytest.mark.parametrize(("volts", "watts", "nominal", "low", "high"), rows("heater_window"))
def test_a_heater_passes_within_the_published_window_and_fails_below(
    volts, watts, nominal, low, high
):
    plate = {"volts": str(volts), "watts": str(watts)}

    def outcome(ohm):
        found = judged("heater", **plate, element_resistance_ohm=f"{ohm:.3f}")
        return found["element-resistance"].outcome

    assert outcome(nominal) is outcome(low + 0.001) is outcome(high - 0.001) is Outcome.PASS
    assert outcome(low - 0.01) is Outcome.FAIL
    assert outcome(high + 0.6) is Outcome.FAIL


def test_a_pumps_published_reading_passes_at_20_degrees_only_as_plausible():
    """A service sheet's drain pump, 165 ohm; 160 ohm at 35 °C is 151.1 at 20 °C (check-values)."""
    plate = {"volts": "230", "temperature_c": "20"}
    found = judged("drain-pump", **plate, drain_pump_coil_ohm="165")["drain-pump-coil"]
    assert found.outcome is Outcome.PASS
    assert found.plausible_only
    warm = judged("drain-pump", volts="230", temperature_c="35", drain_pump_coil_ohm="160")
    assert warm["drain-pump-coil"].measured == pytest.approx(151.111, abs=5e-4)
    assert "160 ohm at 35 °C is 151.11 ohm at 20 °C." in warm["drain-pump-coil"].sentence


def test_the_voltage_picks_the_range():
    plate = {"temperature_c": "20"}
    for volts, ohm, outcome in (
        ("120", "800", Outcome.PASS),  # published 700 to 900 and 750 to 850 ohm
        ("230", "3800", Outcome.PASS),  # a service sheet's 3.8 kohm
        ("230", "800", Outcome.FAIL),
        ("24", "60", Outcome.NOT_MEASURED),  # no range on record: nothing passes
    ):
        found = judged("inlet-valve", **plate, volts=volts, valve_coil_ohm=ohm)["valve-coil"]
        assert found.outcome is outcome, (volts, ohm)


def test_what_a_service_sheet_states_is_held_against_before_the_range():
    plate = {"temperature_c": "20", "volts": "24", "valve_coil_expected_ohm": "60"}
    for ohm, outcome in (("63", Outcome.PASS), ("70", Outcome.DOUBTFUL), ("90", Outcome.FAIL)):
        found = judged("inlet-valve", **plate, valve_coil_ohm=ohm)["valve-coil"]
        assert found.outcome is outcome
        assert found.limit.standing is Standing.GUIDE
        assert "60 ohm stated" in found.limit.source


@pytest.mark.parametrize(("celsius", "ratio"), [(20, 1.249), (25, 1.0), (60, 0.2488), (50, 0.3603)])
def test_an_ntc_on_the_datasheets_curve_passes(celsius, ratio):
    """Curve 8016 of a datasheet, p. 6."""
    found = judged(
        "ntc-sensor",
        r25_ohm="10000",
        ntc_curve="8016",
        ntc_curve_1_ohm=str(10000 * ratio),
        ntc_curve_1_c=str(celsius),
        ntc_curve_2_ohm="2488",
        ntc_curve_2_c="60",
    )["ntc-curve"]
    assert found.outcome is Outcome.PASS


def test_an_ntc_read_once_is_not_measured_and_far_off_it_fails():
    plate = {"r25_ohm": "10000", "beta_k": "3988"}
    once = judged("ntc-sensor", **plate, ntc_curve_1_ohm="12490", ntc_curve_1_c="20")
    assert once["ntc-curve"].outcome is Outcome.NOT_MEASURED
    far = judged("ntc-sensor", **plate, ntc_curve_1_ohm="20000", ntc_curve_1_c="20")
    assert far["ntc-curve"].outcome is Outcome.FAIL


@pytest.mark.parametrize(("marked", "percent", "low", "high"), rows("capacitor_window"))
def test_a_run_capacitor_within_its_print(marked, percent, low, high):
    plate = {"marked_uf": str(marked), "tolerance_percent": str(percent)}

    def outcome(uf):
        return judged("run-capacitor", **plate, runcap_uf_uf=str(uf))["runcap-uf"].outcome

    assert outcome(marked) is outcome(high) is Outcome.PASS
    assert outcome(high * 1.01) is Outcome.FAIL
    assert outcome(low * 0.9) is Outcome.FAIL


def test_a_pressure_sensor_of_a_service_manual():
    """25.2 kHz empty, 22.13 kHz full."""
    typed = {"pressure_look": "good", "pressure_frequency_0_khz": "25.2"}
    full = {"pressure_frequency_mm": "200", "pressure_frequency_khz": "22.13"}
    found = judged("pressure-sensor", **typed, **full)
    assert found["pressure-frequency"].outcome is Outcome.PASS
    rising = judged("pressure-sensor", **typed, **full | {"pressure_frequency_khz": "25.9"})
    assert rising["pressure-frequency"].outcome is Outcome.FAIL
    # A switch type instead: one of the two is enough.
    switch = judged("pressure-sensor", pressure_look="good", pressure_switch="good")
    assert overall(switch.values()) is Outcome.PASS


def test_answers_are_a_persons_judgement_and_no_limit():
    found = judged("belt", belt_look="doubtful")["belt-look"]
    assert found.outcome is Outcome.DOUBTFUL
    assert found.limit.standing is Standing.JUDGEMENT
    assert not found.is_standards_limit
    assert "no measured limit" in found.sentence
    assert judged("belt", belt_look="not-looked")["belt-look"].outcome is Outcome.NOT_MEASURED
    assert judged("belt", belt_look="bad")["belt-look"].outcome is Outcome.FAIL


@pytest.mark.parametrize(
    ("kind", "typed", "fields"),
    [
        ("heater", {"volts": "12", "watts": "2000"}, {"volts"}),
        ("heater", {"element_resistance_ohm": "26"}, {"volts", "watts"}),
        (
            "heater",
            {"volts": "230", "watts": "2000", "element_resistance_ohm": "-26"},
            {"element_resistance_ohm"},
        ),
        ("heater", {"sheath_insulation_mohm": "-1"}, {"sheath_insulation_mohm"}),
        ("heater", {"element_resistance_ohm": "inf"}, {"element_resistance_ohm"}),
        ("heater", {"element_resistance_ohm": "much"}, {"element_resistance_ohm"}),
        ("heater", {"colour": "red"}, {"colour"}),
        ("drain-pump", {"drain_pump_coil_ohm": "165", "volts": "230"}, {"temperature_c"}),
        ("motor-inverter", {"three_windings_1_ohm": "6"}, {"temperature_c"}),
        ("ntc-sensor", {"r25_ohm": "10000", "ntc_curve_1_ohm": "9000"}, {"ntc_curve_1_c"}),
        ("ntc-sensor", {"ntc_curve_1_ohm": "9000", "ntc_curve_1_c": "25"}, {"r25_ohm", "beta_k"}),
        ("run-capacitor", {"runcap_uf_uf": "8"}, {"marked_uf", "tolerance_percent"}),
        ("thermostat", {"thermostat_trip_c": "90"}, {"thermostat_trip_printed_c"}),
        ("motor-brushed", {"carbon_brushes_1_mm": "500"}, {"carbon_brushes_1_mm"}),
        ("pressure-sensor", {"pressure_frequency_khz": "23"}, {"pressure_frequency_mm"}),
        (
            "flow-meter",
            {"flow_pulses_pulses_per_l": "400"},
            {"flow_pulses_printed_pulses_per_l"},
        ),
    ],
)
def test_bad_input_is_named_by_its_input(kind, typed, fields):
    assert set(refused_fields(kind, **typed)) == fields


def test_everything_at_fault_is_named_at_once():
    fields = refused_fields("heater", volts="12", watts="2000", sheath_insulation_mohm="-1")
    assert set(fields) == {"volts", "sheath_insulation_mohm"}


def test_open_circuits():
    plate = {"volts": "230", "watts": "2000"}
    heater = judged("heater", **plate, element_resistance_ohm="open", sheath_insulation_mohm="ol")
    assert heater["element-resistance"].outcome is Outcome.FAIL
    assert heater["sheath-insulation"].outcome is Outcome.PASS
    pump = judged("drain-pump", volts="230", drain_pump_coil_ohm="open")
    assert pump["drain-pump-coil"].outcome is Outcome.FAIL
    loose = judged("drive-motor", plain_coil_ohm="open")
    assert loose["plain-coil"].outcome is Outcome.FAIL


def test_an_open_bleed_resistor_fails_and_open_insulation_passes():
    """A microwave's bleed resistor that is open leaves the charge where it is."""
    for typed, outcome in (("10", Outcome.PASS), ("open", Outcome.FAIL), ("30", Outcome.FAIL)):
        found = judged("hv-capacitor", hvcap_bleed_mohm=typed)["hvcap-bleed"]
        assert found.outcome is outcome
    assert judged("run-capacitor", runcap_leak_mohm="open")["runcap-leak"].outcome is Outcome.PASS
    assert refused_fields("hv-capacitor", hvcap_bleed_mohm="-1") == {
        "hvcap_bleed_mohm": "-1 Mohm is negative; measure again or leave it blank"
    }


def test_what_a_part_is_known_by_is_filled_in():
    form = FORMS["heater"]
    assert form.known({"voltage_v": "230", "power_w": "2000"}) == {"volts": "230", "watts": "2000"}
    assert form.known({"voltage_v": "220-240"}) == {"volts": "230"}
    assert form.known({"voltage_v": "about 230", "power_w": ""}) == {}
    assert form.known({"voltage_v": "240-220"}) == {}
    ntc = FORMS["ntc-sensor"].known({"resistance_ohm": "4850", "beta_k": "3952"})
    assert ntc == {"r25_ohm": "4850", "beta_k": "3952"}


def test_one_of_two_ways_is_enough_and_neither_is_not():
    rest = {"drain_pump_look": "good", "winding_insulation_mohm": "open", "drain_pump_run": "good"}
    balanced = {f"three_windings_{n}_ohm": "6" for n in (1, 2, 3)}
    brushless = judged("drain-pump", temperature_c="20", **rest, **balanced)
    assert "drain-pump-coil" not in brushless
    assert overall(brushless.values()) is Outcome.PASS
    neither = judged("drain-pump", **rest)
    assert neither["drain-pump-coil"].outcome is Outcome.NOT_MEASURED


def test_an_optional_test_counts_when_given_only():
    rest = {"board_look": "good", "board_run": "good"}
    assert "triac-off" not in judged("control-board", **rest)
    found = judged("control-board", **rest, triac_off_ohm="12")
    assert found["triac-off"].outcome is Outcome.FAIL


def test_a_cord_is_good_only_with_its_earth_conductor_measured():
    """0.3 ohm up to 5 m: EN 50678 / DIN VDE 0701-0702 as testers' manuals print it."""
    rest = {"cord_look": "good", "cord_cores": "good", "part_insulation_mohm": "open"}
    for earth, outcome in (
        ({}, Outcome.NOT_MEASURED),
        ({"cord_conductor_ohm": "0.1"}, Outcome.PASS),
        ({"cord_conductor_ohm": "0.9"}, Outcome.FAIL),
        ({"cord_without_earth": "good"}, Outcome.PASS),
    ):
        assert overall(judged("mains-cord", **rest, **earth).values()) is outcome
    found = judged("mains-cord", **rest, cord_conductor_ohm="0.9")["cord-conductor"]
    assert found.limit.standing is Standing.DERIVED


def test_a_lock_and_a_mains_filter_are_good_only_with_what_the_least_test_names():
    lock = {"door_lock_look": "good", "door_lock_locks_s": "4", "door_lock_releases_s": "90"}
    assert overall(judged("door-lock", **lock).values()) is Outcome.NOT_MEASURED
    assert overall(judged("door-lock", **lock, door_lock_ptc_ohm="1000").values()) is Outcome.PASS
    coil = {"plain_coil_ohm": "60", "plain_coil_expected_ohm": "61", "temperature_c": "20"}
    assert overall(judged("door-lock", **lock, **coil).values()) is Outcome.PASS
    filters = {"filter_look": "good", "filter_shorts": "good"}
    assert overall(judged("mains-filter", **filters).values()) is Outcome.NOT_MEASURED
    close = {"filter_capacitance_uf": "0.46", "filter_capacitance_printed_uf": "0.47"}
    assert overall(judged("mains-filter", **filters, **close).values()) is Outcome.PASS


def test_a_compressor_needs_both_its_windings_or_the_balance_of_three():
    rest = {"compressor_look": "good", "winding_insulation_mohm": "open", "temperature_c": "20"}
    run, start = {"compressor_run_ohm": "8"}, {"compressor_start_ohm": "15"}
    three = {f"three_windings_{n}_ohm": "8" for n in (1, 2, 3)}
    assert overall(judged("compressor", **rest, **run).values()) is Outcome.NOT_MEASURED
    assert overall(judged("compressor", **rest, **run, **start).values()) is Outcome.PASS
    assert overall(judged("compressor", **rest, **three).values()) is Outcome.PASS


def test_a_triac_that_blocks_beyond_the_meters_range_passes():
    for typed, outcome in (("open", Outcome.PASS), ("2e6", Outcome.PASS), ("12", Outcome.FAIL)):
        found = judged("speed-board", triac_off_ohm=typed)["triac-off"]
        assert found.outcome is outcome


def test_a_run_capacitor_with_its_own_resistor_is_held_against_that():
    """Common practice: some are fitted with a resistor of some 0.5 Mohm across their tabs."""
    with_it = {"runcap_resistor_mohm": "0.47", "runcap_resistor_printed_mohm": "0.47"}
    found = judged("run-capacitor", **with_it)
    assert found["runcap-resistor"].outcome is Outcome.PASS
    assert "runcap-leak" not in found
    open_one = judged("run-capacitor", **with_it | {"runcap_resistor_mohm": "open"})
    assert open_one["runcap-resistor"].outcome is Outcome.FAIL
    assert judged("run-capacitor")["runcap-leak"].outcome is Outcome.NOT_MEASURED
    assert judged("run-capacitor", runcap_leak_mohm="0.47")["runcap-leak"].outcome is Outcome.FAIL


def test_diodes_alike_but_shorted_fail():
    """Common practice: a sound silicon diode drops 0.3 to 0.7 V on the diode range."""

    def drops(volts, *more):
        readings = [*more, *[volts] * (6 - len(more))]
        typed = {f"diode_drops_{n}_v": one for n, one in enumerate(readings, 1)}
        return judged("inverter-module", **typed)["diode-drops"].outcome

    assert drops("0.01") is drops("0") is drops("0.5", "0.02") is Outcome.FAIL
    assert drops("0.01", "") is Outcome.FAIL
    assert drops("0.5") is Outcome.PASS
    assert drops("0.5", "") is Outcome.NOT_MEASURED


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=25)
@given(data=st.data())
def test_no_filling_falls_over_and_records_come_back(kind, data):
    """Any mix of figures and answers: verdicts or sentences by input; read back alike."""
    form = FORMS[kind]
    figures = st.one_of(
        st.just(""), st.just("open"), st.floats(-10, 1e5).map(lambda value: f"{value:.4g}")
    )
    typed = {
        name: data.draw(
            st.sampled_from([value for value, _ in one.values]) if one.values else figures
        )
        for name, one in form.inputs.items()
    }
    try:
        found = form.judge(form.read(typed), limits=LIMITS)
    except ValueRefused as refused:
        faults = set(refused.fields)
    else:
        faults = set()
    assert faults <= set(form.inputs)
    if faults:
        return
    for one in found:
        row = as_record(one.verdict, slug=one.test.slug, stage=one.test.stage)
        back = from_record(row)
        assert (back.outcome, back.test, back.plausible_only, back.sentence, back.measured) == (
            one.verdict.outcome,
            one.verdict.test,
            one.verdict.plausible_only,
            one.verdict.sentence,
            one.verdict.measured,
        )
        assert row["source"]
        assert row["standing_words"]


def test_a_stated_test_says_that_it_was_stated():
    found = stated("ran it on a host", Outcome.PASS, said="12 V")
    assert found.limit.standing is Standing.JUDGEMENT
    assert "stated by the person who tested it, held against no limit" in found.sentence
    assert as_record(found)["limit"] == ""
