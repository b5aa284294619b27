"""The page of a job's electrical-safety check, by hand and without scripts."""

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from matching import holds
from matching.models import Job, SafetyCheck, SafetyEntry
from tests.factories import NOW, Bench
from tests.integration.matching.test_safety import SOUND, begin, enter, fit, go_through
from tests.integration.web.reading import has_field_message, text_of
from tests.integration.web.test_page_queries import count_queries

pytestmark = pytest.mark.django_db

MACHINE = {
    "protection_class": "I",
    "limit_set": "after-repair",
    "cable_m": "1,5",
    "heating_kw": "2",
    "unearthed_metal": "no",
    "selv_output": "no",
}
TYPED = [
    ("visual", "passed", "visual inspection"),
    ("protective-conductor", "0,21", "protective conductor"),
    ("insulation", "12", "insulation resistance"),
    ("protective-conductor-current", "0.8", "protective-conductor current"),
    ("function", "passed", "function test"),
    ("record", "R. Alder", "record"),
]


@pytest.fixture
def job(bench: Bench) -> Job:
    return bench.job(kind="heater")


def post(client: Client, job: Job, act: str, body: dict[str, Any]) -> Any:
    return client.post(reverse(f"job-safety-{act}", args=[job.ref]), body, follow=True)


def test_from_beginning_to_passed(bench: Bench, technician: Client, job: Job) -> None:
    page = reverse("job-safety", args=[job.ref])
    first = text_of(technician.get(page))
    assert "No check has begun: the machine counts as not complete" in first
    assert "reminds a competent person" in first
    assert "Local codes and the person who is licensed under them decide" in first
    assert "1.5 m of 1.5 mm²" in text_of(post(technician, job, "begin", MACHINE))
    for step, entry, name in TYPED:
        answer = post(technician, job, "step", {"step": step, "entry": entry, "tester": "T 1"})
        assert f"Enter {name}" in text_of(answer)  # it may be repeated
    text = text_of(answer)
    assert "J-0001 ● passed" in text
    assert "Reading 0.21 ohm" in text
    assert "Limit at most 0.3 ohm" in text
    assert "What that is limit of a standard" in text
    assert "R. Alder answers for it" in text
    assert "● passed" in text_of(technician.get(reverse("job", args=[job.ref])))


@pytest.mark.parametrize(
    ("entry", "more", "words"),
    [
        ("-4", {}, "is negative"),
        ("much", {}, "is no number"),
        ("inf", {}, "is no reading"),
        ("1,500", {}, "two ways"),
        ("", {}, "not measured never passes"),
        ("4", {"open": "on"}, "not both"),
    ],
)
def test_a_bad_reading_is_shown_beside_it_and_nothing_is_stored(
    bench: Bench, technician: Client, job: Job, entry: str, more: dict[str, str], words: str
) -> None:
    begin(bench, job)
    go_through(bench, job, SOUND[:2])
    answer = post(technician, job, "step", {"step": "insulation", "entry": entry, **more})
    assert answer.status_code == 400
    assert has_field_message(answer, "insulation_entry", words), text_of(answer)
    assert SafetyEntry.of(bench.workshop).count() == 2


def test_out_of_order_says_what_comes_first(bench: Bench, technician: Client, job: Job) -> None:
    begin(bench, job)
    answer = post(technician, job, "step", {"step": "function", "entry": "passed"})
    assert answer.status_code == 400
    assert "Function test comes after visual inspection, which is not done" in text_of(answer)
    assert post(technician, job, "step", {"step": "dance"}).status_code == 400


def test_a_bad_machine_is_shown_beside_its_field(
    bench: Bench, technician: Client, job: Job
) -> None:
    for wrong, field, words in (
        ({"cable_m": "-2"}, "id_cable_m", "is negative"),
        ({"cable_m": "long"}, "id_cable_m", "is no number"),
        ({"protection_class": ""}, "id_protection_class", "Choose one"),
        ({"heating_kw": "400"}, "id_heating_kw", "is above"),
    ):
        answer = post(technician, job, "begin", MACHINE | wrong)
        assert answer.status_code == 400
        assert has_field_message(answer, field, words), text_of(answer)
    assert not SafetyCheck.of(bench.workshop).exists()


def test_a_failed_step_and_a_repeat_are_seen_on_the_job(
    bench: Bench, technician: Client, job: Job
) -> None:
    begin(bench, job)
    go_through(bench, job, [("visual", True), ("protective-conductor", 0.5)])
    assert "✕ failed" in text_of(technician.get(reverse("job", args=[job.ref])))
    enter(bench, job, "protective-conductor", 0.2)
    text = text_of(technician.get(reverse("job-safety", args=[job.ref])))
    assert "Void entries, kept on record: 1" in text
    assert "Void : it was repeated" in text


def test_a_safety_relevant_part_is_named_on_both_pages(
    bench: Bench, technician: Client, job: Job
) -> None:
    part = fit(bench, job, "heater")
    text = text_of(technician.get(reverse("job", args=[job.ref])))
    assert "The whole sequence is required:" in text
    assert "its sheath stands in water" in text
    begin(bench, job)
    go_through(bench, job)
    page = text_of(technician.get(reverse("job-safety", args=[job.ref])))
    assert f"Heater element {part.ref} (safety-relevant), donor {part.donor.ref}" in page
    assert f"by {bench.technician}: good: measured on the bench" in page


def test_fitting_a_safety_relevant_part_says_what_comes_next(
    bench: Bench, technician: Client, job: Job
) -> None:
    for kind, said in (("heater", True), ("detergent-drawer", False)):
        need = bench.need(kind=kind)
        hold = holds.hold_part(
            workshop=bench.workshop,
            part_ref=bench.part(bench.donor(), kind).ref,
            need_id=need.pk,
            member=bench.technician,
            now=NOW,
        )
        text = text_of(technician.get(reverse("hold-fitted", args=[hold.pk])))
        assert ("electrical-safety sequence is required" in text) is said


def test_a_cataloguer_sees_it_and_is_told_why_not_to_enter(
    bench: Bench, cataloguer: Client, job: Job
) -> None:
    begin(bench, job)
    text = text_of(cataloguer.get(reverse("job-safety", args=[job.ref])))
    assert "Needs the role technician" in text
    assert "Enter visual inspection" not in text


def test_the_same_queries_however_many_entries(bench: Bench, technician: Client, job: Job) -> None:
    pages = [reverse(name, args=[job.ref]) for name in ("job-safety", "job")]
    begin(bench, job)
    enter(bench, job, "visual", True)
    for page in pages:
        count_queries(technician, page)
    few = [count_queries(technician, page) for page in pages]
    go_through(bench, job)
    go_through(bench, job)
    assert [count_queries(technician, page) for page in pages] == few


def test_a_part_fitted_since_is_said_on_both_pages(
    bench: Bench, technician: Client, job: Job
) -> None:
    begin(bench, job)
    go_through(bench, job)
    fit(bench, job, "heater")
    for route in ("job", "job-safety"):
        text = text_of(technician.get(reverse(route, args=[job.ref])))
        assert "A part was fitted since; what was measured before is void. Measure again." in text
