"""The bench test's page: asks by kind, says the verdict while typing, records."""

import re
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from parts import services
from parts.models import BenchTest, Part, PartKind
from parts.services import PartFacts
from tests.factories import TODAY, Bench
from tests.integration.web.reading import has_field_message, text_of
from tests.integration.web.test_page_queries import count_queries
from tests.unit.reference import read

pytestmark = pytest.mark.django_db
GONE = Part.State.SCRAPPED
WHILE_TYPING = {"HX-Request": "true"}


@pytest.fixture
def heater(bench: Bench) -> Part:
    part = bench.part(bench.donor(), "heater")
    facts = PartFacts(attributes={"voltage_v": "230", "power_w": "2000"})
    return services.describe_part(workshop=bench.workshop, ref=part.ref, facts=facts)


def page(part: Part) -> str:
    return reverse("part-test", args=[part.ref])


def typed(**more: Any) -> dict[str, Any]:
    return {
        "tested_on": timezone.localdate().isoformat(),
        "volts": "230",
        "watts": "2000",
        "heater_look": "good",
        "element_resistance_ohm": "26.45",
        "sheath_insulation_mohm_open": "on",
        **more,
    }


def test_it_asks_in_order_for_what_the_kind_needs_and_fills_in_what_is_known(
    technician: Client, heater: Part
) -> None:
    answer = technician.get(page(heater))
    html, text = answer.content.decode(), text_of(answer)
    legends = re.findall(r"<legend>(.*?)</legend>", html)
    assert legends[1:] == ["Look", "Measure", "Insulation", "Record"]
    assert 'name="volts" value="230"' in html
    assert "noted of the part" in text
    assert "Temperature of the part" not in text  # a heater's window needs none
    assert 'name="drain_pump_coil_ohm"' not in html
    assert '"allowEval":false' in html
    assert '"includeIndicatorStyles":false' in html
    assert "competent person" in text
    assert "Local codes come first" in text


def test_check_says_the_verdicts_and_saves_nothing(
    bench: Bench, technician: Client, heater: Part
) -> None:
    """Without scripts: a button."""
    answer = technician.post(page(heater), typed(act="check"))
    text = text_of(answer)
    assert answer.status_code == 200
    assert "Grade it would give: tested good" in text
    assert "Reading 26.45 ohm" in text
    assert "Held against 25.19 to 29.389 ohm" in text
    assert "What that is guide value, common practice" in text
    assert "Source U²/P of 230 V 2000 W" in text
    assert "plausible only" in text
    assert 'value="26.45"' in answer.content.decode()
    assert not BenchTest.of(bench.workshop).exists()


def test_while_typing_only_the_verdicts_come_back(
    bench: Bench, technician: Client, heater: Part
) -> None:
    answer = technician.post(page(heater), typed(), headers=WHILE_TYPING)
    html = answer.content.decode()
    assert "<html" not in html
    assert "HX-Request" in answer["Vary"]
    assert 'id="found-element-resistance" class="found-here" hx-swap-oob="true"' in html
    assert "Grade it would give: tested good" in text_of(answer)
    assert not BenchTest.of(bench.workshop).exists()


def test_who_was_signed_out_while_typing_is_sent_to_sign_in(client: Client, heater: Part) -> None:
    answer = client.post(page(heater), typed(), headers=WHILE_TYPING)
    assert answer["HX-Redirect"].startswith(reverse("sign-in"))
    assert answer.content == b""


def test_half_typed_is_said_in_a_sentence_and_not_measured_never_passes(
    technician: Client, heater: Part
) -> None:
    half = typed(volts="", watts="", sheath_insulation_mohm_open="")
    answer = technician.post(page(heater), half, headers=WHILE_TYPING)
    assert answer.status_code == 200  # else it would not be shown
    assert "Rated voltage, V : is missing; give it in V" in text_of(answer)
    unmeasured = typed(sheath_insulation_mohm_open="")
    said = text_of(technician.post(page(heater), unmeasured, headers=WHILE_TYPING))
    assert "So far: ○ not measured" in said
    assert "Grade it would give: untested, not measured: insulation to the sheath" in said


def test_recording_stores_it_and_the_part_shows_it(
    bench: Bench, technician: Client, heater: Part
) -> None:
    answer = technician.post(page(heater), typed(meter="M 2", act="record"), follow=True)
    text = text_of(answer)
    assert "The bench test of" in text
    assert "Tested good, P(good) 95 %" in text
    assert "Grade: passed: scale, bulge, split sheath, element resistance" in text
    assert "meter M 2" in text
    assert "element resistance: reading: 26.45 ohm" in text
    assert BenchTest.of(bench.workshop).get().tested_by == bench.technician


@pytest.mark.parametrize(
    ("wrong", "field", "words"),
    [
        ({"element_resistance_ohm": "-26"}, "element_resistance_ohm", "is negative"),
        ({"element_resistance_ohm": "much"}, "element_resistance_ohm", "is no number"),
        ({"element_resistance_ohm": "inf"}, "element_resistance_ohm", "is no reading"),
        ({"volts": "12"}, "volts", "no mains voltage"),
        ({"watts": ""}, "watts", "is missing"),
        ({"heater_look": "splendid"}, "heater_look", "none of the choices"),
        ({"sheath_insulation_mohm": "3"}, "sheath_insulation_mohm", "not both"),
        ({"tested_on": "2101-02-03"}, "tested_on", "lies outside"),
        ({"other_said": "5 V"}, "other_method", "say what was tested"),
    ],
)
def test_bad_input_is_shown_beside_its_field_and_nothing_is_saved(
    bench: Bench, technician: Client, heater: Part, wrong: dict[str, str], field: str, words: str
) -> None:
    answer = technician.post(page(heater), typed(**wrong))
    assert answer.status_code == 400
    assert has_field_message(answer, f"test_{field}", words), text_of(answer)
    assert not BenchTest.of(bench.workshop).exists()


def test_an_empty_form_is_not_recorded(bench: Bench, technician: Client, heater: Part) -> None:
    empty = {"tested_on": timezone.localdate().isoformat()}
    answer = technician.post(page(heater), empty)
    assert answer.status_code == 400
    assert "nothing was measured or looked at" in text_of(answer)


def test_a_part_that_is_gone_cannot_be_tested(
    bench: Bench, technician: Client, heater: Part
) -> None:
    services.take_from_stock(workshop=bench.workshop, ref=heater.ref, state=GONE, on=TODAY)
    answer = technician.post(page(heater), typed())
    assert answer.status_code == 409
    assert "scrapped" in text_of(answer)


def test_a_test_that_is_not_foreseen_says_that_it_is_stated(
    technician: Client, heater: Part
) -> None:
    other = {"other_method": "boiled water", "other_verdict": "good", "other_said": "3 min"}
    answer = technician.post(page(heater), typed(**other), follow=True)
    assert "Boiled water: pass, 3 min (stated by the person who tested it" in text_of(answer)


@pytest.mark.parametrize("kind", [row["slug"] for row in read("part_kinds")])
def test_every_kind_has_a_page(bench: Bench, technician: Client, kind: str) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    Part.of(bench.workshop).filter(pk=part.pk).update(kind=kind, position="other")
    answer = technician.get(page(part))
    html = answer.content.decode()
    assert answer.status_code == 200
    assert "as it should be" in html
    ids = [one.split('"')[0] for one in html.split(' id="')[1:]]
    assert len(ids) == len(set(ids))
    name = PartKind.objects.get(pk=kind).name
    assert name.split("'")[0].split("(")[0].strip()[:12] in text_of(answer)


def test_capacitors_show_their_time_and_that_it_proves_nothing(
    bench: Bench, technician: Client
) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    Part.of(bench.workshop).filter(pk=part.pk).update(kind="hv-capacitor")
    text = text_of(technician.get(page(part)))
    assert "through 10 Mohm, it needs 45 s to fall below 34 V" in text
    assert "Measure, do not trust the time" in text


def test_the_same_queries_however_much_is_on_record(
    bench: Bench, technician: Client, heater: Part
) -> None:
    part_page = reverse("part", args=[heater.ref])
    technician.post(page(heater), typed())
    count_queries(technician, part_page)
    few = count_queries(technician, part_page), count_queries(technician, page(heater))
    for _ in range(3):
        technician.post(page(heater), typed())
        twin = bench.part(bench.donor(), "heater")
        facts = PartFacts(part_number="HT-1", attributes={"voltage_v": "230"})
        services.describe_part(workshop=bench.workshop, ref=twin.ref, facts=facts)
    bench.drain()
    many = count_queries(technician, part_page), count_queries(technician, page(heater))
    assert many == few
