"""The electrical-safety check of a job over the API."""

from typing import Any

import pytest
from rest_framework.test import APIClient

from matching.faults import closing
from matching.models import Job, JobEstimate, OwnRule, SafetyEntry
from tests.factories import NOW, Bench
from tests.integration.matching.test_safety import EARTHED, SOUND, fit

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(bench: Bench) -> Job:
    return bench.job(kind="heater")


def address(job: Job, rest: str = "") -> str:
    return f"/api/v1/jobs/{job.ref}/safety/{rest}"


def step(api: APIClient, job: Job, slug: str, entry: Any) -> Any:
    return api.post(address(job, "steps/"), {"step": slug, "entry": entry}, format="json")


def test_from_beginning_to_passed(bench: Bench, api: APIClient, job: Job) -> None:
    part = fit(bench, job, "heater")
    before = api.get(address(job)).data
    assert (before["status"], before["required"], before["machine"]) == (
        "not-complete",
        True,
        None,
    )
    begun = api.post(address(job), EARTHED, format="json")
    assert begun.status_code == 201
    assert begun.data["next_step"] == "visual"
    for slug, entry in SOUND:
        answer = step(api, job, slug, entry)
        assert answer.status_code == 201, answer.data
    found = api.get(address(job)).data
    assert (found["status"], found["next_step"]) == ("passed", "")
    assert [row["part_ref"] for row in found["entry"]] == [part.ref]
    assert found["entry"][0]["donor_ref"] == part.donor.ref
    conductor = found["steps"][1]
    assert (conductor["limit"], conductor["standing"]) == ("at most 0.3 ohm", "standard")
    assert conductor["entered"]["by"] == bench.technician.user.username
    assert "Local codes" in found["cautions"][0]


def test_repeating_voids_and_the_record_shows_it(api: APIClient, job: Job) -> None:
    api.post(address(job), EARTHED, format="json")
    for slug, entry in SOUND[:3]:
        step(api, job, slug, entry)
    found = step(api, job, "visual", True).data
    assert {row["step"] for row in found["void"]} == {
        "visual",
        "protective-conductor",
        "insulation",
    }
    assert all(row["voided_at"] for row in found["void"])
    assert found["next_step"] == "protective-conductor"


def test_no_connection_is_sent_as_open(api: APIClient, job: Job) -> None:
    api.post(address(job), EARTHED, format="json")
    for slug, entry in SOUND[:2]:
        step(api, job, slug, entry)
    found = step(api, job, "insulation", "open").data
    assert found["steps"][2]["outcome"] == "pass"


@pytest.mark.parametrize(
    ("slug", "entry", "field"),
    [
        ("protective-conductor", 0.2, "protective-conductor"),
        ("visual", 10**400, "visual"),
        ("visual", "yes", "visual"),
        ("visual", [True], "entry"),
        ("visual", "", "entry"),
        ("dance", True, "step"),
    ],
)
def test_what_cannot_be_entered_is_a_problem_by_field(
    bench: Bench, api: APIClient, job: Job, slug: str, entry: Any, field: str
) -> None:
    api.post(address(job), EARTHED, format="json")
    answer = step(api, job, slug, entry)
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    assert [row["field"] for row in answer.data["errors"]] == [field]
    assert not SafetyEntry.of(bench.workshop).exists()


def test_without_a_check_a_step_clashes_and_a_cataloguer_may_only_look(
    api: APIClient, job: Job, sign_in: Any
) -> None:
    assert step(api, job, "visual", True).status_code == 409
    cataloguer = sign_in("cataloguer")
    assert cataloguer.get(address(job)).status_code == 200
    assert cataloguer.post(address(job), EARTHED, format="json").status_code == 403


def test_a_step_sent_twice_with_its_key_is_entered_once(
    bench: Bench, api: APIClient, job: Job
) -> None:
    api.post(address(job), EARTHED, format="json")
    key = {"Idempotency-Key": '"0b0e6a34-7a0c-4a5e-9a37-6f3a33f9d111"'}
    body = {"step": "visual", "entry": True}
    for _ in range(2):
        api.post(address(job, "steps/"), body, format="json", headers=key)
    assert SafetyEntry.of(bench.workshop).count() == 1


def test_an_integer_longer_than_any_figure_is_refused(api: APIClient, job: Job) -> None:
    api.post(address(job), EARTHED, format="json")
    step(api, job, *SOUND[0])
    answer = step(api, job, "protective-conductor", 10**400)
    assert answer.status_code == 400, answer.data
    assert "so long a number is no reading" in str(answer.data)


def test_the_job_says_that_its_check_is_owed_and_that_it_is_corroded(
    bench: Bench, api: APIClient
) -> None:
    job = bench.job(needs=[], symptom="does not heat")
    JobEstimate.objects.create(workshop=bench.workshop, job=job, safety_corrosion=True)
    said = api.get(f"/api/v1/jobs/{job.ref}/").json()
    assert (said["safety_owed"], said["safety_corrosion"]) == (False, True)
    closing.say_found(
        workshop=bench.workshop, ref=job.ref, suspect="wiring", member=bench.technician, now=NOW
    )
    said = api.get(f"/api/v1/jobs/{job.ref}/").json()
    assert (said["safety_owed"], said["safety_corrosion"]) == (True, True)


def test_a_refused_rule_of_thumb_is_named(bench: Bench, api: APIClient) -> None:
    OwnRule.objects.create(
        workshop=bench.workshop, slug="share-old", figure=0.4, advises="break", shown=True
    )
    rows = {one["slug"]: one for one in api.get("/api/v1/rules-of-thumb/").json()}
    assert rows["share-old"]["advises"] == "repair"
    assert "into its opposite" in rows["share-old"]["refused"]
    assert rows["safety-corrosion"]["refused"] == ""
