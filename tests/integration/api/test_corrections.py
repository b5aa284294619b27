"""Corrections over the API: the same services, answered by field."""

from typing import Any

import pytest

from matching import holds
from matching.models import Job, Outcome
from tests.factories import NOW, TODAY, Bench

pytestmark = pytest.mark.django_db


def wrong(answer: Any) -> set[str]:
    """Return the inputs a refusal names."""
    assert answer.status_code == 400
    return {one["field"] for one in answer.data["errors"]}


def test_a_job_is_patched_and_its_record_says_what_was_before(bench: Bench, sign_in: Any) -> None:
    client, job = sign_in("technician"), bench.job("K3-60 R1 W")
    path = f"/api/v1/jobs/{job.ref}/"
    change = {"model_number": "W7-60 R1 W", "own_number": "T 1", "why": "misread"}
    answer = client.patch(path, change, format="json")
    assert answer.status_code == 200
    assert (answer.data["model_number"], answer.data["own_number"]) == ("W7-60 R1 W", "T 1")
    record = client.get(f"{path}record/").data
    assert {(one["what"], one["before"], one["after"]) for one in record} == {
        ("model number as read", "K3-60 R1 W", "W7-60 R1 W"),
        ("own number", "", "T 1"),
    }
    assert {one["by"] for one in record} == {bench.technician.user.username}
    refused = client.patch(path, {"opened_on": "1950-01-01"}, format="json")
    assert wrong(refused) == {"opened_on"}


def test_what_does_not_go_together_has_to_be_confirmed(bench: Bench, sign_in: Any) -> None:
    client = sign_in("technician")
    body = {
        "appliance": "washing-machine", "make": "Velthane", "model_number": "W7-60 R1 W",
        "opened_on": str(TODAY), "needs": [{"kind": "magnetron"}],
    }  # fmt: skip
    refused = client.post("/api/v1/jobs/", body, format="json")
    assert wrong(refused) == {"needs", "confirm_mismatch"}
    confirmed = client.post("/api/v1/jobs/", {**body, "confirm_mismatch": True}, format="json")
    assert confirmed.status_code == 201


def test_needs_and_closing_and_fittings_are_put_right(bench: Bench, sign_in: Any) -> None:
    client, need = sign_in("technician"), bench.need()
    part, job = bench.part(bench.donor()), f"/api/v1/jobs/{need.job.ref}/"
    added = client.post(f"{job}needs/", {"kind": "heater"}, format="json")
    assert added.status_code == 201
    one = f"/api/v1/needs/{added.data['id']}/"
    assert client.patch(one, {"part_number": "H 9"}, format="json").data["part_number"] == "H 9"
    assert client.post(f"{one}withdraw/", {"why": "no"}, format="json").data["state"] == "open"
    client.post(f"{job}refuse/", {}, format="json")
    again = client.post(f"{job}reopen/", {"why": "slip"}, format="json")
    assert (again.status_code, again.data["state"]) == (200, "open")
    assert client.post(f"{job}take/").data["technician"] == bench.technician.pk
    bench.drain()
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    early = {"result": "worked", "fitted_on": "1990-01-01"}
    address = f"/api/v1/holds/{hold.pk}/fitted/"
    assert wrong(client.post(address, early, format="json")) == {"fitted_on"}
    done = client.post(address, {**early, "fitted_on": str(TODAY)}, format="json")
    back = f"/api/v1/outcomes/{done.data['id']}/take-back/"
    assert client.post(back, {}, format="json").data["state"] == "open"
    assert client.post(back, {}, format="json").status_code == 404
    assert not Outcome.of(bench.workshop).exists()


def test_a_donor_is_patched(bench: Bench, sign_in: Any) -> None:
    client, donor = sign_in("cataloguer"), bench.donor("K3-60 R1 W")
    path = f"/api/v1/donors/{donor.ref}/"
    answer = client.patch(path, {"serial_number": "S 5", "cause": ""}, format="json")
    assert (answer.status_code, answer.data["serial_number"]) == (200, "S 5")
    assert client.get(f"{path}record/").data[0]["after"] == "S 5"


def test_jobs_are_filtered_by_text_whose_and_own_number(bench: Bench, sign_in: Any) -> None:
    client = sign_in("technician")
    mine = bench.job(technician=bench.technician, own_number="T 4711")
    other = bench.job("K3-60 R1 W")

    def found(query: str) -> set[str]:
        return {one["ref"] for one in client.get(f"/api/v1/jobs/?{query}").data["results"]}

    assert found("text=k3.60") == {other.ref}
    assert found("own_number=t 4711") == {mine.ref}
    assert found("whose=nobody") == {other.ref}
    assert found("state=waiting") == {mine.ref, other.ref}
    assert client.get("/api/v1/jobs/?whose=them").status_code == 400
    assert Job.of(bench.workshop).count() == 2
