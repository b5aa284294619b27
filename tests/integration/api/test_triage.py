"""Triage, waiting and keeping over the API."""

from datetime import timedelta

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from donors.models import Donor
from matching.domain.waiting import Arrivals
from matching.models import Job, KeepPermission, WaitExtension
from tests.factories import Bench
from tests.unit.published import rows

pytestmark = pytest.mark.django_db
SIGNED = {"may_keep": "yes", "said_by": "owner", "how": "signed"}


@pytest.fixture
def job(bench: Bench) -> Job:
    return bench.job(opened_on=timezone.localdate())


def at(job: Job, act: str) -> str:
    return f"/api/v1/jobs/{job.ref}/{act}/"


def test_a_triage_and_what_is_known_of_the_job(api: APIClient, job: Job) -> None:
    found = api.get(at(job, "triage")).data
    assert found["best"] == found["options"][0]["first"]
    assert found["runner_up"] == found["options"][1]["first"]
    assert found["headline"].startswith(found["options"][0]["name"])
    assert len(found["waiting"]["curve"]) == 61
    need = job.needs.get().pk
    body = {"new_machine": "300", "new_parts": [{"need": need, "price": "12.50", "days": 1}]}
    after = api.put(at(job, "triage"), body, format="json")
    assert after.status_code == 200
    said = {one["name"]: (one["said"], one["source"]) for one in after.data["assumptions"]}
    assert said["price of an equal new machine"] == ("300.00", "this job")
    assert said["new control board"] == ("12.50", "this job")


@pytest.mark.parametrize(
    "body",
    [
        {"new_machine": "-1"},
        {"age_years": 101},
        {"labour_minutes": -1},
        {"new_parts": [{"need": 10**9}]},
        {"new_parts": [{"need": "x"}]},
        {"major_part": "perhaps"},
    ],
)
def test_bad_estimates_are_refused(api: APIClient, job: Job, body) -> None:
    answer = api.put(at(job, "triage"), body, format="json")
    assert answer.status_code in (400, 404)
    assert answer["Content-Type"] == "application/problem+json"


def test_the_odds_of_waiting(api: APIClient, job: Job) -> None:
    found = api.get(at(job, "waiting")).data
    assert (found["came"], found["ahead"], found["days"]) == (0, 0, 30)
    assert found["curve"][30]["chance"] == pytest.approx(found["chance"])


def test_refused_and_kept_with_the_link_both_ways(api: APIClient, job: Job) -> None:
    assert api.post(at(job, "refuse"), SIGNED, format="json").data["state"] == "refused"
    answer = api.post(at(job, "keep"), {"cause": "board-fault"}, format="json")
    assert answer.status_code == 201
    donor = Donor.objects.unscoped().get()
    assert (answer.data["job_ref"], answer.data["donor_ref"]) == (job.ref, donor.ref)
    found = api.get(at(job, "keep")).data
    assert found["kept"]["donor_ref"] == donor.ref
    assert found["permission"]["in_writing"] is True
    assert api.get(f"/api/v1/donors/{donor.ref}/was-job/").data["job_ref"] == job.ref


def test_refusing_without_a_body_works_as_before(api: APIClient, job: Job) -> None:
    assert api.post(at(job, "refuse")).status_code == 200
    assert not KeepPermission.objects.unscoped().exists()
    refused = api.post(at(job, "keep"), {}, format="json")
    assert refused.status_code == 409
    assert "not asked yet" in refused.data["detail"]


def test_a_repeated_request_keeps_once(api: APIClient, job: Job) -> None:
    api.post(at(job, "permission"), SIGNED, format="json")
    key = {"Idempotency-Key": '"keep-it"'}
    first, again = (api.post(at(job, "keep"), {}, format="json", headers=key) for _ in range(2))
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.content == again.content
    assert Donor.objects.unscoped().count() == 1


def test_a_wait_is_made_longer_once_per_key(api: APIClient, job: Job) -> None:
    until = (timezone.localdate() + timedelta(days=60)).isoformat()
    key = {"Idempotency-Key": '"longer"'}
    for _ in range(2):
        answer = api.post(at(job, "wait"), {"wait_until": until}, format="json", headers=key)
        assert answer.status_code == 200
        assert answer.json()["wait_until"] == until
    assert WaitExtension.objects.unscoped().count() == 1
    assert api.get(at(job, "wait")).data[0]["until"] == until
    too_far = {"wait_until": (timezone.localdate() + timedelta(days=400)).isoformat()}
    assert api.post(at(job, "wait"), too_far, format="json").status_code == 400


def test_figures_and_rules_are_the_owners(bench: Bench, api: APIClient, sign_in) -> None:
    address = "/api/v1/triage-figures/"
    body = {"labour_per_hour": "70", "new_machines": {"dishwasher": "410"}, "wait_days": 40}
    assert api.put(address, body, format="json").status_code == 403
    owner = sign_in("owner")
    rows = {one["name"]: one for one in owner.put(address, body, format="json").data}
    assert rows["labour_per_hour"]["value"] == "70.00"
    assert rows["labour_per_hour"]["source"] == "this workshop"
    assert rows["floor_per_week"]["source"] == "guide"
    assert rows["new_machines.dishwasher"]["value"] == "410.00"
    assert rows["wait_days"]["value"] == "40"
    back = {"labour_per_hour": None}
    rows = {one["name"]: one for one in owner.put(address, back, format="json").data}
    assert rows["labour_per_hour"]["source"] == "guide"
    assert rows["new_machines.dishwasher"]["source"] == "this workshop"
    for bad in ({"labour_per_hour": "-1"}, {"new_machines": {"tractor": "5"}}, {"wait_days": 0}):
        assert owner.put(address, bad, format="json").status_code == 400
    rule = "/api/v1/rules-of-thumb/share-old/"
    assert api.put(rule, {"advises": "repair", "figure": 0.3}, format="json").status_code == 403
    changed = owner.put(rule, {"advises": "repair", "figure": 0.3}, format="json").data
    assert (changed["figure"], changed["own"]) == (0.3, True)
    assert owner.delete(rule).data["own"] is False
    assert owner.get("/api/v1/rules-of-thumb/no-such/").status_code == 404


def test_jobs_whose_wait_is_over_can_be_asked_for(bench: Bench, api: APIClient) -> None:
    over = bench.job(opened_on=timezone.localdate() - timedelta(days=40))
    bench.job(opened_on=timezone.localdate())
    rows = api.get("/api/v1/jobs/", {"wait_over": "true"}).data["results"]
    assert [one["ref"] for one in rows] == [over.ref]
    assert api.get("/api/v1/jobs/", {"wait_over": "false"}).data["count"] == 1


@pytest.mark.parametrize("row", rows("thinned_waits"))
def test_published_waits_come_out_of_the_api(
    api: APIClient, bench: Bench, monkeypatch: pytest.MonkeyPatch, row: tuple[float, ...]
) -> None:
    """Negative-binomial, queue and median rows of check_values.json (thinned_waits), whole path.

    The belief is put in for what is counted; the queue and the days waited are rows of this
    workshop. Published by weeks, here 30 days are as long as their 4.348 weeks.
    """
    p_serves, one, two, median_weeks = row
    weeks = 30 / 4.348214
    belief = Arrivals(4.5, 62 * weeks, p_serves)
    monkeypatch.setattr(Arrivals, "counted", lambda *_, **__: belief)
    today = timezone.localdate()
    job = bench.job(opened_on=today, wait_until=today + timedelta(days=30))
    alone = api.get(at(job, "waiting")).data
    assert (alone["days"], alone["ahead"]) == (30, 0)
    assert alone["chance"] == pytest.approx(one, abs=6e-6)
    assert alone["median_days"] == pytest.approx(median_weeks * weeks, rel=6e-4)
    bench.job(opened_on=today - timedelta(days=3))  # waits for the same, and longer
    queued = api.get(at(job, "waiting")).data
    assert queued["ahead"] == 1
    assert queued["chance"] == pytest.approx(two, abs=6e-6)
    weighed = api.get(at(job, "triage")).data["waiting"]
    assert weighed["chance"] == pytest.approx(two, abs=6e-6)
