"""The main job over the API, from a machine taken in to a part fitted."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from knox.models import get_token_model
from rest_framework.test import APIClient

from parts.models import Part
from tests.factories import PASSWORD, Bench

pytestmark = pytest.mark.django_db

DONOR = {
    "appliance": "washing-machine",
    "make": "Velthane",
    "model_number": "W7-60 R1 W",
    "received_on": "2026-11-20",
    "cause": "bearing-drum",
}
JOB = {
    "appliance": "washing-machine",
    "make": "Velthane",
    "model_number": "W7-60 R1 S",
    "opened_on": "2026-11-20",
    "symptom": "dead",
    "needs": [{"kind": "control-board", "max_price": "80", "attributes": {"voltage_v": "230"}}],
}


def test_from_a_machine_taken_in_to_a_part_fitted(bench: Bench, api: APIClient) -> None:
    job = api.post("/api/v1/jobs/", JOB, format="json")
    assert job.status_code == 201, job.data
    donor = api.post("/api/v1/donors/", DONOR, format="json")
    assert donor.status_code == 201, donor.data
    assert donor.data["recognised"] == "W7-60 R1 W"
    assert api.get("/api/v1/alerts/").data["count"] == 0
    bench.drain()

    inbox = api.get("/api/v1/alerts/", {"unread": "true"}).data
    assert inbox["count"] == 1
    alert = inbox["results"][0]
    assert (alert["job_ref"], alert["donor_ref"]) == (job.data["ref"], donor.data["ref"])
    assert alert["reasons"]
    api.post(f"/api/v1/alerts/{alert['id']}/read/")
    assert api.get("/api/v1/alerts/", {"unread": "true"}).data["count"] == 0

    match = api.get("/api/v1/matches/", {"job": job.data["ref"]}).data["results"][0]
    assert sum(row["bits"] for row in match["reasons"]) == pytest.approx(match["score_bits"])
    hold = api.post(
        "/api/v1/holds/",
        {"part_ref": match["part_ref"], "need": match["need"]},
        format="json",
    )
    assert hold.status_code == 201, hold.data
    fitted = api.post(
        f"/api/v1/holds/{hold.data['id']}/fitted/",
        {"result": "worked", "fitted_on": "2026-11-21"},
        format="json",
    )
    assert fitted.status_code == 201, fitted.data
    assert api.get(f"/api/v1/jobs/{job.data['ref']}/").data["state"] == "done"
    assert api.get(f"/api/v1/parts/{match['part_ref']}/").data["state"] == "fitted"
    assert api.get("/api/v1/outcomes/").data["count"] == 1


def test_a_misread_number_is_kept_and_its_candidates_come_back(
    bench: Bench, api: APIClient
) -> None:
    misread = {"make": "", "model_number": "W7-6O R1 W"}
    donor = api.post("/api/v1/donors/", {**DONOR, **misread}, format="json").data
    job = api.post("/api/v1/jobs/", {**JOB, **misread}, format="json").data
    for machine in (donor, job):
        assert (machine["model_number"], machine["recognised"]) == ("W7-6O R1 W", "")
        assert machine["make_is_guess"]
        assert machine["candidates"][0]["model_number"] == "W7-60 R1 W"
    model = {"model_id": donor["candidates"][0]["model_id"]}
    api.post(f"/api/v1/donors/{donor['ref']}/confirm/", model, format="json")
    confirmed = api.get(f"/api/v1/donors/{donor['ref']}/").data
    assert (confirmed["confirmed"], confirmed["candidates"]) == (True, [])


def test_find_a_part(bench: Bench, api: APIClient) -> None:
    donor = bench.donor("W7-60 R1 W")
    found = api.get("/api/v1/parts/find/", {"text": "control board W7-60 R1 S"})
    assert found.status_code == 200
    assert found.data["kinds"] == ["control-board"]
    assert found.data["recognised"]["settled"] == "W7-60 R1 S"
    best = found.data["results"][0]
    assert best["donor_ref"] == donor.ref
    assert best["verdict"] == "likely-fits"
    assert 0 < best["p_fit"] < 1
    assert 0 < best["p_good"] < 1
    assert sum(row["bits"] for row in best["reasons"]) == pytest.approx(best["score_bits"])


def test_a_held_part_is_shown_as_held_after_free_ones(bench: Bench, api: APIClient) -> None:
    bench.donor("W7-60 R1 W")
    bench.donor("W7-60 R1 W")
    need = bench.need("W7-60 R1 S")
    bench.drain()
    query = {"text": "W7-60 R1 S", "kind": "control-board"}
    first = api.get("/api/v1/parts/find/", query).data["results"][0]
    api.post("/api/v1/holds/", {"part_ref": first["part_ref"], "need": need.pk}, format="json")
    results = api.get("/api/v1/parts/find/", query).data["results"]
    assert results[-1]["part_ref"] == first["part_ref"]
    assert results[-1]["held_for"] == need.job.ref


def test_a_proposed_part_says_to_which_job_after_free_ones(bench: Bench, api: APIClient) -> None:
    for _ in range(3):
        bench.donor("W7-60 R1 W")
    query = {"text": "W7-60 R1 W", "kind": "control-board"}

    def found() -> list[dict[str, Any]]:
        return api.get("/api/v1/parts/find/", query).data["results"]

    first, second, third = [Part.of(bench.workshop).get(ref=row["part_ref"]) for row in found()]
    assert found()[0]["proposed_to"] == found()[0]["proposed_until"] == ""
    proposal = bench.proposal(first, bench.need())
    with CaptureQueriesContext(connection) as of_one:
        results = found()
    assert [row["part_ref"] for row in results] == [second.ref, third.ref, first.ref]
    assert results[-1]["proposed_to"] == proposal.need.job.ref
    assert results[-1]["proposed_until"] == proposal.expires_at.isoformat()
    bench.proposal(second, bench.need())
    with CaptureQueriesContext(connection) as of_two:
        assert [row["part_ref"] for row in found()] == [third.ref, first.ref, second.ref]
    assert len(of_one) == len(of_two)


def test_a_token_is_given_for_a_password_and_ends(bench: Bench) -> None:
    client = APIClient()
    client.login(username="nobody", password="nothing")
    assert client.get("/api/v1/jobs/").status_code == 401
    user = bench.technician.user
    import base64

    basic = base64.b64encode(f"{user.username}:{PASSWORD}".encode()).decode()
    client.credentials(HTTP_AUTHORIZATION=f"Basic {basic}")
    answer = client.post("/api/v1/token/")
    assert answer.status_code == 201
    assert answer.data["token"] not in str(get_token_model().objects.values_list())
    client.credentials(HTTP_AUTHORIZATION=f"Token {answer.data['token']}")
    assert client.get("/api/v1/jobs/").status_code == 200
    assert client.post("/api/v1/token/end/").status_code == 204
    assert client.get("/api/v1/jobs/").status_code == 401


def test_the_schema_describes_every_path_without_warnings(api: APIClient, capsys) -> None:
    from drf_spectacular.generators import SchemaGenerator
    from drf_spectacular.validation import validate_schema

    schema = SchemaGenerator().get_schema(request=None, public=True)
    validate_schema(schema)
    assert len(schema["paths"]) >= 25
    assert "Warning" not in capsys.readouterr().err


def test_parts_are_described_removed_and_tested(bench: Bench, api: APIClient) -> None:
    part = bench.part(bench.donor())
    described = api.patch(
        f"/api/v1/parts/{part.ref}/",
        {"part_number": "BRD-1", "price": "12.50", "attributes": {"connector_pins": "12"}},
        format="json",
    )
    assert (described.data["part_number"], described.data["price"]) == ("BRD-1", "12.50")
    removed = api.post(
        f"/api/v1/parts/{part.ref}/remove/",
        {"removed_on": "2026-11-21", "bin": "A-1"},
        format="json",
    )
    assert removed.data["state"] == "shelved"
    tested = api.post(
        f"/api/v1/parts/{part.ref}/tests/",
        {"verdict": "good", "method": "series lamp, buttons", "tested_on": "2026-11-21"},
        format="json",
    )
    assert tested.data["grade"] == "tested-good"
    loose = api.post(
        "/api/v1/parts/",
        {"kind": "drain-pump", "part_number": "P 9", "received_on": "2026-11-21"},
        format="json",
    )
    assert (loose.status_code, loose.data["state"]) == (201, "removed")
