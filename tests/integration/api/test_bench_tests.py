"""Bench tests over the API: the form, a preview, the record; refusals as problem details."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from rest_framework.test import APIClient

from parts import services
from parts.models import BenchTest, Part
from parts.services import PartFacts
from tests.factories import Bench

pytestmark = pytest.mark.django_db

READINGS = {
    "volts": 230,
    "watts": "2000",
    "heater_look": "good",
    "element_resistance_ohm": 26.45,
    "sheath_insulation_mohm": "open",
}


@pytest.fixture
def heater(bench: Bench) -> Part:
    part = bench.part(bench.donor(), "heater")
    facts = PartFacts(attributes={"voltage_v": "230", "power_w": "2000"})
    return services.describe_part(workshop=bench.workshop, ref=part.ref, facts=facts)


def body(**more: Any) -> dict[str, Any]:
    return {"tested_on": timezone.localdate().isoformat(), "readings": READINGS, **more}


def address(part: Part, rest: str) -> str:
    return f"/api/v1/parts/{part.ref}/{rest}"


def test_the_form_says_what_is_asked_and_what_is_known(api: APIClient, heater: Part) -> None:
    found = api.get(address(heater, "bench-form/")).data
    assert [test["slug"] for test in found["tests"]] == [
        "heater-look",
        "element-resistance",
        "sheath-insulation",
    ]
    assert [test["stage"] for test in found["tests"]] == ["look", "resistance", "insulation"]
    inputs = {one["name"]: one for one in found["inputs"]}
    assert set(inputs) == set(READINGS)
    assert (inputs["volts"]["value"], inputs["watts"]["value"]) == ("230", "2000")
    assert inputs["volts"]["value_from"] == "noted of the part"
    assert inputs["element_resistance_ohm"]["unit"] == "ohm"
    assert [one["value"] for one in inputs["heater_look"]["choices"]] == [
        "good",
        "doubtful",
        "bad",
        "not-looked",
    ]
    asked = {name for test in found["tests"] for name in test["inputs"]}
    assert asked == set(inputs)
    assert any("500 V" in text for text in found["cautions"])


def test_a_preview_gives_the_verdicts_and_saves_nothing(
    bench: Bench, api: APIClient, heater: Part
) -> None:
    answer = api.post(address(heater, "bench-tests/preview/"), body(), format="json")
    assert answer.status_code == 200
    assert (answer.data["outcome"], answer.data["grade"]) == ("pass", "tested-good")
    window = next(row for row in answer.data["verdicts"] if row["slug"] == "element-resistance")
    # 230 V 2000 W: 25.190 to 29.389 ohm, computed apart (check-values 3.1).
    assert window["low"] == pytest.approx(25.190, abs=5e-4)
    assert window["high"] == pytest.approx(29.389, abs=5e-4)
    assert (window["standing"], window["plausible_only"]) == ("guide", True)
    assert window["source"]
    assert not BenchTest.of(bench.workshop).exists()
    nothing = api.post(address(heater, "bench-tests/preview/"), body(readings={}), format="json")
    assert (nothing.data["outcome"], nothing.data["grade"]) == ("not-measured", "untested")


def test_recording_grades_the_part_and_the_record_is_listed(
    bench: Bench, api: APIClient, heater: Part
) -> None:
    answer = api.post(address(heater, "bench-tests/"), body(meter="M 2"), format="json")
    assert answer.status_code == 201
    assert (answer.data["verdict"], answer.data["grade"]) == ("good", "tested-good")
    assert answer.data["grade_reason"].startswith("passed: ")
    assert answer.data["tested_by"] == bench.technician.user.username
    listed = api.get(address(heater, "bench-tests/")).data
    assert listed["count"] == 1
    (row,) = listed["results"]
    assert row["readings"]["volts"] == {"label": "Rated voltage", "value": "230", "unit": "V"}
    assert row["readings"]["element_resistance_ohm"]["value"] == "26.45"
    assert (row["meter"], len(row["verdicts"])) == ("M 2", 3)
    shown = api.get(address(heater, "")).data
    assert (shown["grade"], shown["grade_reason"]) == ("tested-good", answer.data["grade_reason"])


def test_a_request_sent_twice_records_once(bench: Bench, api: APIClient, heater: Part) -> None:
    key = {"Idempotency-Key": '"7f0c0f7e-9f0c-4a2e-8b58-0d9c3d1f6f01"'}
    first, second = (
        api.post(address(heater, "bench-tests/"), body(), format="json", headers=key)
        for _ in range(2)
    )
    assert (first.status_code, first.content) == (second.status_code, second.content)
    assert BenchTest.of(bench.workshop).count() == 1


@pytest.mark.parametrize("path", ["bench-tests/", "bench-tests/preview/"])
@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"readings": READINGS | {"element_resistance_ohm": -26}}, "element_resistance_ohm"),
        ({"readings": READINGS | {"volts": 12}}, "volts"),
        ({"readings": READINGS | {"element_resistance_ohm": "nan"}}, "element_resistance_ohm"),
        ({"readings": READINGS | {"colour": "red"}}, "colour"),
        ({"readings": READINGS | {"volts": [230]}}, "readings.volts"),
        ({"readings": READINGS | {"volts": True}}, "readings.volts"),
        ({"readings": "26 ohm"}, "readings"),
        ({"tested_on": "2101-01-01"}, "tested_on"),
        ({"tested_on": "yesterday"}, "tested_on"),
        ({"other": {"method": "x", "verdict": "splendid"}}, "other.verdict"),
        ({"meter": "x" * 81}, "meter"),
    ],
)
def test_bad_input_names_its_field_and_nothing_is_saved(
    bench: Bench, api: APIClient, heater: Part, path: str, more: dict[str, Any], field: str
) -> None:
    answer = api.post(address(heater, path), body(**more), format="json")
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    assert [row["field"] for row in answer.data["errors"]] == [field]
    assert answer.data["errors"][0]["detail"]
    assert not BenchTest.of(bench.workshop).exists()


def test_infinity_in_the_body_is_refused(bench: Bench, api: APIClient, heater: Part) -> None:
    text = '{"tested_on": "2026-11-20", "readings": {"element_resistance_ohm": Infinity}}'
    answer = api.post(address(heater, "bench-tests/"), text, content_type="application/json")
    assert answer.status_code == 400
    assert not BenchTest.of(bench.workshop).exists()


def test_the_older_address_still_takes_a_stated_test(
    bench: Bench, api: APIClient, heater: Part
) -> None:
    stated = {"verdict": "good", "method": "boiled water", "tested_on": "2026-11-20"}
    answer = api.post(address(heater, "tests/"), stated, format="json")
    assert answer.status_code == 201
    assert answer.data["grade"] == "tested-good"
    (row,) = api.get(address(heater, "bench-tests/")).data["results"]
    assert row["verdicts"][0]["standing"] == "judgement"


def test_the_same_queries_however_many_tests_are_listed(
    bench: Bench, api: APIClient, heater: Part
) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            assert api.get(address(heater, "bench-tests/")).status_code == 200
        return len(seen)

    counts = []
    for _ in range(3):
        api.post(address(heater, "bench-tests/"), body(), format="json")
        counts.append(queries())
    assert len(set(counts)) == 1
