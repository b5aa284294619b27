"""Bench tests recorded by form: what is stored, the grade it gives, and what is refused.

Figures are those of tests/unit/parts/domain/bench_forms (published, sources named there).
"""

from datetime import date, timedelta
from typing import Any

import pytest

from parts import bench_tests, services
from parts.bench_tests import Answers, Other
from parts.models import BenchTest, Grade, Part
from parts.services import PartFacts
from tests.factories import TODAY, Bench
from workshop.errors import Conflict, InputRefused
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db
GONE = Part.State.SCRAPPED

SOUND_HEATER = {
    "volts": "230",
    "watts": "2000",
    "heater_look": "good",
    "element_resistance_ohm": "26,5",
    "sheath_insulation_mohm": "open",
}


def record(bench: Bench, part: Part, readings: dict[str, Any], **more: Any) -> BenchTest:
    on = more.pop("on", TODAY)
    answers = Answers(tested_on=more.pop("tested_on", TODAY), readings=readings, **more)
    return bench_tests.record_readings(
        workshop=bench.workshop, ref=part.ref, answers=answers, tested_by=bench.technician, on=on
    )


@pytest.fixture
def heater(bench: Bench) -> Part:
    return bench.part(bench.donor(), "heater")


def test_readings_are_kept_as_given_with_each_verdict_its_limit_and_who(
    bench: Bench, heater: Part
) -> None:
    test = record(bench, heater, SOUND_HEATER, meter="M 2", note="dried first")
    test.refresh_from_db()
    assert test.tested_by == bench.technician
    assert (test.tested_on, test.meter, test.note) == (TODAY, "M 2", "dried first")
    assert test.readings["element_resistance_ohm"] == {
        "label": "element resistance: reading",
        "value": "26,5",
        "unit": "ohm",
    }
    assert test.readings["sheath_insulation_mohm"]["value"] == "open"
    by_slug = {row["slug"]: row for row in test.verdicts}
    found = by_slug["element-resistance"]
    assert (found["outcome"], found["measured"], found["unit"]) == ("pass", 26.5, "ohm")
    assert found["low"] == pytest.approx(25.190, abs=5e-4)
    assert found["high"] == pytest.approx(29.389, abs=5e-4)
    assert (found["standing"], found["plausible_only"]) == ("guide", True)
    assert "IEC 60335-1 cl. 10.1" in found["source"]
    assert by_slug["sheath-insulation"]["measured"] == "open"
    assert by_slug["heater-look"]["standing"] == "judgement"
    assert test.verdict == BenchTest.Verdict.GOOD


def test_the_part_is_graded_by_the_verdicts_with_the_reason(bench: Bench, heater: Part) -> None:
    record(bench, heater, SOUND_HEATER)
    heater.refresh_from_db()
    assert heater.grade == Grade.TESTED_GOOD
    assert heater.grade_reason.startswith("passed: scale, bulge, split sheath, element resistance")
    assert "only against a guide value" in heater.grade_reason
    assert heater.grade_falls_on is None  # heaters have no shelf time; the donor's age is unknown
    assert OutboxEvent.of(bench.workshop).filter(kind="parts.parts-changed").exists()


@pytest.mark.parametrize(
    ("readings", "verdict", "grade"),
    [
        ({"element_resistance_ohm": "29.6"}, "worn", Grade.TESTED_WORN),  # the leads: doubtful
        ({"element_resistance_ohm": "40"}, "failed", Grade.SCRAP),
        ({"element_resistance_ohm": "open"}, "failed", Grade.SCRAP),
        ({"heater_look": "bad"}, "failed", Grade.SCRAP),
        ({"heater_look": "doubtful"}, "worn", Grade.TESTED_WORN),
        ({"sheath_insulation_mohm": ""}, "not-measured", Grade.UNTESTED),
        ({"heater_look": "not-looked"}, "not-measured", Grade.UNTESTED),
    ],
)
def test_the_worst_verdict_decides(
    bench: Bench, heater: Part, readings: dict[str, str], verdict: str, grade: Grade
) -> None:
    assert record(bench, heater, SOUND_HEATER | readings).verdict == verdict
    heater.refresh_from_db()
    assert heater.grade == grade


def test_looks_worn_and_the_age_of_a_wear_part_make_it_worn(bench: Bench) -> None:
    old = bench.donor(built_from=date(2012, 1, 1), built_to=date(2012, 12, 31))
    part = bench.part(old, "heater")
    record(bench, part, SOUND_HEATER)
    part.refresh_from_db()
    assert part.grade == Grade.TESTED_WORN
    assert "wear part of a machine about 14 years old" in part.grade_reason
    young = bench.part(bench.donor(), "heater")
    record(bench, young, SOUND_HEATER, looks_worn=True)
    young.refresh_from_db()
    assert young.grade == Grade.TESTED_WORN
    assert young.grade_reason.endswith("; cosmetically worn")


@pytest.mark.parametrize(
    ("kind", "readings", "field"),
    [
        ("heater", {"element_resistance_ohm": "-26", "volts": "230", "watts": "2000"}, None),
        ("heater", {"volts": "12", "watts": "2000"}, "volts"),
        ("heater", {"element_resistance_ohm": "inf"}, None),
        ("heater", {"element_resistance_ohm": "a lot"}, None),
        ("drain-pump", {"drain_pump_coil_ohm": "165", "volts": "230"}, "temperature_c"),
        ("ntc-sensor", {"r25_ohm": "10000", "ntc_curve_1_ohm": "9000"}, "ntc_curve_1_c"),
    ],
)
def test_bad_input_is_a_sentence_by_field_and_nothing_is_saved(
    bench: Bench, kind: str, readings: dict[str, str], field: str | None
) -> None:
    part = bench.part(bench.donor(), kind)
    events = OutboxEvent.of(bench.workshop).count()
    with pytest.raises(InputRefused) as refused:
        record(bench, part, readings)
    assert set(refused.value.fields) == {field or "element_resistance_ohm"}
    assert all(refused.value.fields.values())
    assert not BenchTest.of(bench.workshop).exists()
    assert OutboxEvent.of(bench.workshop).count() == events
    part.refresh_from_db()
    assert (part.grade, part.laid_at_intake) == (Grade.NOT_GRADED, True)


def test_nothing_given_is_no_test(bench: Bench, heater: Part) -> None:
    for readings in ({}, {"volts": "230", "watts": "2000"}, {"heater_look": "not-looked"}):
        with pytest.raises(InputRefused, match="nothing was measured or looked at"):
            record(bench, heater, readings)


def test_a_day_ahead_and_a_part_that_is_gone_are_refused(bench: Bench, heater: Part) -> None:
    with pytest.raises(InputRefused) as ahead:
        record(bench, heater, SOUND_HEATER, tested_on=TODAY + timedelta(days=1))
    assert set(ahead.value.fields) == {"tested_on"}
    services.take_from_stock(workshop=bench.workshop, ref=heater.ref, state=GONE, on=TODAY)
    with pytest.raises(Conflict, match="scrapped"):
        record(bench, heater, SOUND_HEATER)


def test_trying_saves_nothing_and_says_what_recording_would(bench: Bench, heater: Part) -> None:
    answers = Answers(tested_on=TODAY, readings=SOUND_HEATER)
    trial = bench_tests.try_readings(
        workshop=bench.workshop, ref=heater.ref, answers=answers, on=TODAY
    )
    assert not BenchTest.of(bench.workshop).exists()
    test = record(bench, heater, SOUND_HEATER)
    heater.refresh_from_db()
    assert list(trial.verdicts) == test.verdicts
    assert (trial.verdict, trial.grade, trial.reason, trial.falls_on) == (
        test.verdict,
        heater.grade,
        heater.grade_reason,
        heater.grade_falls_on,
    )


def test_a_test_no_form_foresees_is_stated_and_says_so(bench: Bench) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    other = Other("ran it in the machine", "failed", "hums, does not turn")
    test = record(bench, part, {"drain_pump_look": "good"}, other=other)
    stated = next(row for row in test.verdicts if row["slug"] == "stated")
    assert (stated["standing"], stated["limit"]) == ("judgement", "")
    assert "held against no limit" in stated["sentence"]
    assert test.readings["text"] == "hums, does not turn"
    part.refresh_from_db()
    assert (part.grade, part.grade_reason) == (Grade.SCRAP, "failed: ran it in the machine")
    with pytest.raises(InputRefused) as refused:
        record(bench, part, {}, other=Other(said="5 V"))
    assert set(refused.value.fields) == {"other_method", "other_verdict"}


def test_a_whole_test_stated_over_the_older_service_is_graded_alike(
    bench: Bench, heater: Part
) -> None:
    test = services.record_bench_test(
        workshop=bench.workshop,
        ref=heater.ref,
        verdict=BenchTest.Verdict.WORN,
        method="boiled water",
        tested_on=TODAY,
        tested_by=bench.technician,
        readings={"text": "slow"},
    )
    heater.refresh_from_db()
    assert heater.grade == Grade.TESTED_WORN
    assert test.verdicts[0]["sentence"].startswith("Boiled water: doubtful, slow (stated")


def test_the_newest_test_decides_and_an_older_one_is_only_kept(bench: Bench, heater: Part) -> None:
    record(bench, heater, SOUND_HEATER)
    old = record(
        bench,
        heater,
        SOUND_HEATER | {"element_resistance_ohm": "open"},
        tested_on=TODAY - timedelta(days=30),
    )
    heater.refresh_from_db()
    assert heater.grade == Grade.TESTED_GOOD
    assert old.verdict == "failed"
    record(bench, heater, SOUND_HEATER | {"element_resistance_ohm": "open"})
    heater.refresh_from_db()
    assert heater.grade == Grade.SCRAP


def test_a_kind_that_is_never_reused_is_scrap_whatever_passes(bench: Bench) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    Part.of(bench.workshop).filter(pk=part.pk).update(kind="fill-hose")
    record(bench, part, {"fill_hose_look": "good"})
    part.refresh_from_db()
    assert part.grade == Grade.SCRAP
    assert "never reused" in part.grade_reason


def test_what_is_known_fills_in_from_the_part_its_number_and_its_machine(bench: Bench) -> None:
    donor = bench.donor()
    heater, pump = bench.part(donor, "heater"), bench.part(donor, "drain-pump")

    def describe(part: Part, **facts: Any) -> None:
        services.describe_part(workshop=bench.workshop, ref=part.ref, facts=PartFacts(**facts))

    def known(part: Part) -> dict[str, tuple[str, str]]:
        part = Part.of(bench.workshop).select_related("donor", "kind").get(pk=part.pk)
        found = bench_tests.known_of(part)
        return {name: (one.value, one.whence) for name, one in found.items()}

    assert known(heater) == {}
    describe(pump, attributes={"voltage_v": "230"})
    assert known(heater) == {"volts": ("230", "from other parts of its machine")}
    twin = bench.part(bench.donor(), "heater")
    describe(twin, part_number="HT-1", attributes={"voltage_v": "240", "power_w": "1950"})
    describe(heater, part_number="HT-1")
    assert known(heater) == {
        "volts": ("240", "from others of its number"),
        "watts": ("1950", "from others of its number"),
    }
    describe(heater, attributes={"voltage_v": "220-240", "power_w": "2000"})
    assert known(heater) == {
        "volts": ("230", "noted of the part"),
        "watts": ("2000", "noted of the part"),
    }
    # Where others disagree nothing is filled in, nor from a low voltage elsewhere in the machine.
    third = bench.part(bench.donor(), "heater")
    describe(third, part_number="HT-1", attributes={"voltage_v": "230"})
    describe(bench.part(third.donor, "drain-pump"), attributes={"voltage_v": "12"})
    fourth = bench.part(bench.donor(), "heater")
    describe(fourth, part_number="HT-1")
    assert "volts" not in known(fourth)


def test_capacitors_come_with_the_time_they_need(bench: Bench) -> None:
    (oven,) = bench_tests.charges_of(Part(kind_id="hv-capacitor"))
    assert "45 s" in oven.caution()
    assert bench_tests.charges_of(Part(kind_id="belt")) == []
    noted = {"capacitance_uf": "0.5"}
    (half,) = bench_tests.charges_of(Part(kind_id="hv-capacitor", attributes=noted))
    assert "0.5 uF" in half.caution()
    assert "23 s" in half.caution()  # half of 44.70 s, rounded up


@pytest.mark.parametrize("noted", ["9" * 308, "9" * 400, "0." + "0" * 400 + "1", "2000000"])
def test_a_capacitance_no_part_has_leaves_the_usual_time(noted: str) -> None:
    part = Part(kind_id="hv-capacitor", attributes={"capacitance_uf": noted})
    (oven,) = bench_tests.charges_of(part)
    assert "45 s" in oven.caution()


def test_what_can_be_judged_is_said_while_something_else_is_at_fault(heater: Part) -> None:
    typed = {**SOUND_HEATER, "element_resistance_ohm": "much"}
    found = bench_tests.verdicts_so_far(heater, Answers(tested_on=TODAY, readings=typed))
    assert {row["slug"]: row["outcome"] for row in found} == {
        "heater-look": "pass",
        "element-resistance": "not-measured",
        "sheath-insulation": "pass",
    }


class TestAFailureStandsUntilItIsMeasuredAgain:
    """Insulation of 1 Mohm and more: bench_tests.json (common practice)."""

    SOUND = {  # noqa: RUF012
        "volts": "230",
        "temperature_c": "20",
        "drain_pump_look": "good",
        "drain_pump_coil_ohm": "160",
        "winding_insulation_mohm": "open",
        "drain_pump_run": "good",
    }

    def graded(self, bench: Bench, part: Part, readings: dict[str, Any], **more: Any) -> str:
        on = more.get("tested_on", TODAY)
        answers = Answers(tested_on=on, readings=readings, other=more.get("other", Other()))
        trial = bench_tests.try_readings(
            workshop=bench.workshop, ref=part.ref, answers=answers, on=TODAY
        )
        record(bench, part, readings, **more)
        part.refresh_from_db()
        assert (trial.grade, trial.reason) == (part.grade, part.grade_reason)
        return part.grade

    @pytest.fixture
    def pump(self, bench: Bench) -> Part:
        part = bench.part(bench.donor(), "drain-pump")
        assert self.graded(bench, part, {"winding_insulation_mohm": "0.01"}) == Grade.SCRAP
        return part

    def test_a_look_does_not_undo_it(self, bench: Bench, pump: Part) -> None:
        assert self.graded(bench, pump, {"drain_pump_look": "good"}) == Grade.SCRAP
        assert "not measured again" in pump.grade_reason
        rest = {k: v for k, v in self.SOUND.items() if k != "winding_insulation_mohm"}
        assert self.graded(bench, pump, rest) == Grade.SCRAP

    def test_measuring_it_again_does(self, bench: Bench, pump: Part) -> None:
        assert self.graded(bench, pump, {"winding_insulation_mohm": "open"}) == Grade.UNTESTED
        assert self.graded(bench, pump, self.SOUND) == Grade.TESTED_GOOD

    def test_each_failure_has_to_be_measured_again(self, bench: Bench, pump: Part) -> None:
        assert self.graded(bench, pump, {"drain_pump_look": "bad"}) == Grade.SCRAP
        assert self.graded(bench, pump, {"drain_pump_look": "good"}) == Grade.SCRAP
        assert "insulation" in pump.grade_reason
        assert self.graded(bench, pump, {"winding_insulation_mohm": "5"}) == Grade.UNTESTED

    def test_a_test_stated_as_a_whole_answers_for_all(self, bench: Bench, pump: Part) -> None:
        def state(verdict: BenchTest.Verdict) -> str:
            services.record_bench_test(
                workshop=bench.workshop, ref=pump.ref, method="ran it", verdict=verdict,
                tested_on=TODAY, tested_by=None, on=TODAY,
            )  # fmt: skip
            pump.refresh_from_db()
            return pump.grade

        assert state(BenchTest.Verdict.GOOD) == Grade.TESTED_GOOD
        assert state(BenchTest.Verdict.FAILED) == Grade.SCRAP
        assert self.graded(bench, pump, {"drain_pump_look": "good"}) == Grade.SCRAP
        assert self.graded(bench, pump, self.SOUND) == Grade.TESTED_GOOD

    def test_a_failure_in_words_stands_until_it_is_tried_again(
        self, bench: Bench, pump: Part
    ) -> None:
        hums, quiet = Other("in the machine", "failed"), Other("In the machine", "good")
        assert self.graded(bench, pump, self.SOUND, other=hums) == Grade.SCRAP
        assert self.graded(bench, pump, self.SOUND) == Grade.SCRAP
        assert self.graded(bench, pump, self.SOUND, other=quiet) == Grade.TESTED_GOOD

    def test_one_of_an_earlier_day_entered_late_counts(self, bench: Bench) -> None:
        part = bench.part(bench.donor(), "drain-pump")
        assert self.graded(bench, part, {"drain_pump_look": "good"}) == Grade.UNTESTED
        before = TODAY - timedelta(days=3)
        readings = {"winding_insulation_mohm": "0.01"}
        assert self.graded(bench, part, readings, tested_on=before) == Grade.SCRAP


def test_trying_says_when_a_part_of_a_test_takes_the_grade_away(bench: Bench, heater: Part) -> None:
    record(bench, heater, SOUND_HEATER)
    answers = Answers(tested_on=TODAY, readings={"heater_look": "good"})
    trial = bench_tests.try_readings(
        workshop=bench.workshop, ref=heater.ref, answers=answers, on=TODAY
    )
    assert trial.grade == Grade.UNTESTED
    assert trial.reason.endswith("; so far it is tested good")
